"""Texts of placement sheets, good ones, to be spoiled by tests."""

ONE = """\
schema = "placement-sheet/1"
# a note
target = "front camera panel"
origin = "front-axle"
line = "thrust"
side = "ahead"

[distance]
value = 2600.0   # a note at the end
unit = "mm"
tolerance = 10.0

[height]
value = 1250.0
unit = "mm"
tolerance = 10.0

[provenance]
document = "service information, page 7"
edition = "2026-01"
date_read = 2026-01-31
typed_by = "A. B."
"""

MANY = """\
schema = "placement-sheet/2"
# a note
origin = "front-axle"
line = "thrust"
side = "ahead"

[[placement]]
name = "camera-low"
target = "front camera panel"
size = { width = 1200.0, height = 800.0, unit = "mm" }
distance = { value = 2600.0, unit = "mm", tolerance = 10.0 }
lateral = { value = 0.0, unit = "mm", tolerance = 10.0 }
height = { value = 1250.0, unit = "mm", tolerance = 10.0 }
yaw = { value = 0.0, unit = "deg", tolerance = 0.5 }

[[placement]]
name = "camera-high"
target = "front camera panel"
size = { width = 1200.0, height = 800.0, unit = "mm" }
distance = { value = 2600.0, unit = "mm", tolerance = 10.0 }
lateral = { value = 0.0, unit = "mm", tolerance = 10.0 }
height = { value = 1450.0, unit = "mm", tolerance = 10.0 }

[[placement]]
name = "radar-rear-left"
target = "corner reflector"
kind = "reflector"
origin = "rear-axle"
side = "behind"
distance = { value = 2000.0, unit = "mm", lower = -5.0, upper = 8.0 }
lateral = { value = 1600.0, unit = "mm", tolerance = 10.0 }
height = { value = 650.0, unit = "mm", tolerance = 10.0 }
yaw = { value = -45.0, unit = "deg", tolerance = 1.0 }

[provenance]
document = "service information, page 7"
edition = "2026-01"
date_read = 2026-01-31
typed_by = "A. B."
"""
