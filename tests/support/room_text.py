"""Text of a room file."""

ROOM = """\
schema = "room/1"
name = "bay 2"
length = { value = 9.5, unit = "m" }
width = { value = 460, unit = "cm" }
height = { value = 3.2, unit = "m" }

[car]
front_axle_from_front_wall = { value = 3.6, unit = "m" }
middle_from_left_wall = { value = 2.4, unit = "m" }
wheelbase_mm = 2600.0
width_mm = 1800.0
front_overhang_mm = 900.0
rear_overhang_mm = 800.0

[[obstacle]]
name = "cabinet"
from_front_wall = { value = 0.0, unit = "m" }
from_left_wall = { value = 3.6, unit = "m" }
length = { value = 600.0, unit = "mm" }
width = { value = 900.0, unit = "mm" }
height = { value = 1.8, unit = "m" }

[[obstacle]]
name = "lamp"
from_front_wall = { value = 1.0, unit = "m" }
from_left_wall = { value = 2.0, unit = "m" }
length = { value = 300.0, unit = "mm" }
width = { value = 900.0, unit = "mm" }
from_floor = { value = 2.7, unit = "m" }
"""
