"""A new job folder: commented files a technician can fill in without a manual, and empty photo folders."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from calib.paper.before import BEFORE
from vision.errors import FileError
from vision.toml_io import write_whole

PHOTO_FOLDERS = ("roll-1", "roll-2", "roll-3", "rest", "check-1")


@dataclass(frozen=True, slots=True)
class NewJob:
    """What was made, and what was there already and stayed as it was."""

    folder: Path
    written: tuple[Path, ...]
    kept: tuple[Path, ...]


def new_job(folder: Path, boards_text: str) -> NewJob:
    """Write the files and folders of a new job; a file that exists is left alone.

    Parameters
    ----------
    folder : Path
    boards_text : str
        Text of `boards.toml`.

    Raises
    ------
    FileError
        The folder cannot be made or written.
    """
    files = {
        "job.toml": JOB,
        "sheet.toml": SHEET,
        "stand.toml": STAND,
        "vehicle.toml": VEHICLE,
        "before.toml": BEFORE,
        "boards.toml": boards_text,
    }
    written, kept = [], []
    try:
        for name in PHOTO_FOLDERS:
            (folder / "photos" / name).mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            path = folder / name
            if path.exists():
                kept.append(path)
                continue
            write_whole(path, text)
            written.append(path)
    except OSError as err:
        raise FileError(f"{folder}: cannot be written: {err.strerror or err}", hint="choose another folder") from err
    return NewJob(folder, tuple(written), tuple(kept))


JOB = """\
schema = "job/1"
# One job: one car, and the targets placed for it. Lines that start with # are notes, or settings you may switch on.
# Paths are relative to this folder. Lengths are in mm; every ..._pm_mm is "plus or minus": the half-width you are
# sure of in 95 of 100 cases.

# --- what you measure with -------------------------------------------------------------------------------------------
# Lens profile of the camera, made once with: bayfix lens PHOTOS...   Several cameras: ["phone.lens.toml", "webcam.lens.toml"]
lens = ["phone.lens.toml"]
boards = "boards.toml"      # the printed boards and their measured print scale
sheet = "sheet.toml"        # where the target must stand: FILL IN
stand = "stand.toml"        # where the stand boards sit on the target: FILL IN
# Other targets of the sheet, and mats with boards on them, by placement (mat/1 for a mat): stands = { radar = "radar.toml" }
# Once the shop's stylus is taught (bayfix stylus teach) name its file here: stylus = "../stylus.toml"
# vehicle = "vehicle.toml"  # limits of the car itself; fill that file in and remove the # here: a car out of limits is said

# --- boards on the floor ---------------------------------------------------------------------------------------------
# Strike out the ones you did not lay down. At least 3 on each side of the car and 4 to be seen around the stand.
floor = [
    "floor-1", "floor-2", "floor-3", "floor-4", "floor-5", "floor-6", "floor-7", "floor-8",
    "floor-9", "floor-10", "floor-11", "floor-12", "floor-13", "floor-14", "floor-15", "floor-16",
]
# floor_pm_mm = 2.0         # how uneven the floor is; left out, 8 floor boards or more around the car measure it

# --- boards on the wheels --------------------------------------------------------------------------------------------
# Left and right are the car's: the driver's, looking forward.
# standoff_mm: from the printed face of the wheel board, along the wheel's axis, to the outer edge (flange) of the rim.
# Without it toe and thrust direction are still measured, but no thrust angle, no centreline and no lateral position.
# To switch it on, remove the # and type your own number.
standoff_common_pm_mm = 0.0 # error that all stand-offs share because the board holders are alike

[wheels.rear_left]
board = "wheel-rear-left"
# standoff_mm = 85.0
# standoff_pm_mm = 1.0

[wheels.rear_right]
board = "wheel-rear-right"
# standoff_mm = 85.0
# standoff_pm_mm = 1.0

[wheels.front_left]
board = "wheel-front-left"
# standoff_mm = 85.0
# standoff_pm_mm = 1.0

[wheels.front_right]
board = "wheel-front-right"
# standoff_mm = 85.0
# standoff_pm_mm = 1.0

# --- a car that cannot roll; holders that sit well; boards on the car's body -------------------------------------------
# [wheels]
# mode = "spin"             # the car hangs on a lift and each wheel is turned by hand between the rounds; or "static": no wheel
#                           # turns, only photos/rest counts, and the two settings below are in every U (which is large)
# centring_pm_mm = 1.0      # self-centring holders: the wheel's axis passes the board's centre mark within this
# mounting_pm_deg = 0.5     # the board sits square to the wheel's axis within this
# [body]
# boards = ["body-1", "body-2"]   # on the body, not on doors that open: show that the car did not move, tighten the roll fit
# settle_pm_mm = 2.0        # how far the body settles on its springs from round to round

# --- tape distances (advised: they fix the scale) --------------------------------------------------------------------
# Between the centre marks of two floor boards, as far apart as the bay allows. One block for each distance.
# [[distance]]
# a = "floor-1"
# b = "floor-7"
# mm = 4012.0
# pm_mm = 1.0

# --- photos of another lens (only when size and camera data in the photo do not tell) ---------------------------------
# [photos."rest/webcam-*.png"]
# lens = "webcam.lens.toml"

# --- photos ----------------------------------------------------------------------------------------------------------
# photos/roll-1   the car as it came in; about a dozen photos a folder, the whole walk round the car
# photos/roll-2   rolled on by about a quarter turn of the wheel (some 0.5 m), chocks set again; roll-3 the same once more
# photos/rest     rolled on once more: the car stays like this from here on
# photos/check-1  the stand in its place: stand boards, floor boards and at least one wheel board; after a move check-2, ...
"""

SHEET = """\
schema = "placement-sheet/1"
# Where the target must stand, copied from the vehicle maker's licensed service information. Nothing here is a default.
# A typing error here beats every later care: look at it (bayfix sheet show sheet.toml), then let somebody else compare every
# number with the document and confirm it (bayfix sheet confirm sheet.toml --by NAME). Several placements: bayfix sheet new.

target = ""              # FILL IN: name of the target, in the document's words
origin = "front-axle"    # where the distance starts: front-axle, rear-axle (midpoint of the two wheels), or one wheel:
                         # front-left, front-right, rear-left, rear-right (left and right are the driver's, looking forward);
                         # or a point touched with the stylus: "point:bumper" (see: bayfix touch --help)
line = "thrust"          # the line it is measured along: thrust (rear thrust line) or centreline (rear to front midpoint),
                         # or through two touched points, the second towards the front: ["point:a", "point:b"]
side = "ahead"           # the target stands ahead of the car, or behind it

# Remove the # in front of the values the document gives, and type its numbers. Leave out what it does not give.
#   value      in the unit below it: mm, cm, m, in (inches), deg or min (minutes of arc); or a text: "0 deg 30 min"
#   tolerance  plus or minus this much is allowed. Without it the value is measured but not judged.
#   Unequal limits: instead of tolerance write lower = -3.0 and upper = 5.0, the least and greatest error allowed.

# [distance]             # from the origin along the line to the target's centre; positive, also behind the car
# value = 1500.0
# unit = "mm"
# tolerance = 5.0

# [lateral]              # target's centre from the line; positive to the car's left, 0 on the line
# value = 0.0
# unit = "mm"
# tolerance = 5.0

# [height]               # target's centre above the floor
# value = 1200.0
# unit = "mm"
# tolerance = 5.0

# [yaw]                  # 0 = target square to the line; positive counter-clockwise seen from above
# value = 0.0
# unit = "deg"
# tolerance = 0.3

# [pitch]                # 0 = upright; positive leans the target's top in the car's forward direction
# value = 0.0
# unit = "deg"
# tolerance = 0.5

# [roll]                 # 0 = level; positive lifts the target's side that is on the car's left
# value = 0.0
# unit = "deg"
# tolerance = 0.5

[provenance]
document = ""            # FILL IN: which document or service information page
edition = ""             # its edition or version
# date_read = 2026-01-31 # the day it was read (no quotes)
typed_by = ""            # FILL IN: who typed these numbers
checked_by = ""          # who compared them with the document, ideally somebody else
"""

SHEETS = """\
schema = "placement-sheet/2"
# Several placements in the order of the work, copied from the vehicle maker's licensed service information.
# Look at it: bayfix sheet show FILE. Let somebody else compare and confirm it: bayfix sheet confirm FILE --by NAME

# What stands here holds for every placement that does not say otherwise.
origin = "front-axle"    # front-axle, rear-axle, front-left, front-right, rear-left, rear-right, "point:NAME", "board:NAME"
line = "thrust"          # thrust, centreline, or two places: ["point:a", "point:b"]
side = "ahead"           # ahead or behind

[[placement]]
name = "first"           # your name for it: bayfix check JOB --placement first
target = ""              # FILL IN: name of the target, in the document's words
kind = "panel"           # panel, reflector, or mat
# target_boards = ["stand-1"]   # boards the right target is known by
# size = { width = 1200.0, height = 800.0, unit = "mm" }
# distance = { value = 1500.0, unit = "mm", tolerance = 5.0 }
# lateral = { value = 0.0, unit = "mm", tolerance = 5.0 }       # + to the car's left
# height = { value = 1200.0, unit = "mm", tolerance = 5.0 }
# yaw = { value = 0.0, unit = "deg", tolerance = 0.3 }          # + counter-clockwise seen from above
# pitch = { value = 0.0, unit = "deg", tolerance = 0.5 }        # + leans the top in the car's forward direction
# roll = { value = 0.0, unit = "deg", tolerance = 0.5 }         # + lifts the side on the car's left

# [[placement]]
# name = "rear-left"
# target = "corner reflector"
# kind = "reflector"
# origin = "rear-axle"
# side = "behind"
# distance = { value = 2000.0, unit = "mm", lower = -5.0, upper = 10.0 }   # unequal limits of the error
# lateral = { value = 1600.0, unit = "mm", tolerance = 10.0 }
# height = { value = 650.0, unit = "mm", tolerance = 10.0 }
# yaw = { value = -45.0, unit = "deg", tolerance = 1.0 }

# [[placement]]
# name = "mat-left"
# target = "mat at the car's left"
# kind = "mat"             # lies on the floor, placed by marked points that are touched with the stylus
# [[placement.mark]]
# name = "a"
# ahead = { value = 500.0, unit = "mm", tolerance = 5.0 }       # from the origin, + towards the car's front
# left = { value = 1500.0, unit = "mm", tolerance = 5.0 }       # from the line, + to the car's left
# [[placement.mark]]
# name = "b"
# ahead = { value = -1500.0, unit = "mm", tolerance = 5.0 }
# left = { value = 1500.0, unit = "mm", tolerance = 5.0 }

[provenance]
document = ""            # FILL IN: which document or service information page
edition = ""             # its edition or version
# date_read = 2026-01-31 # the day it was read (no quotes)
typed_by = ""            # FILL IN: who typed these numbers
checked_by = ""          # who compared them with the document, ideally somebody else
"""

STAND = """\
schema = "stand/1"
# Where the stand boards sit on the target. Stand between car and target and look at the target's face:
#
#        +---------------- target --------------+
#        |               up_mm ^                |      right_mm, up_mm: the board's printed centre mark
#        |                     |                |                       from the target's centre
#        |     target's centre +---> right_mm   |      behind_mm:       how far the target's face lies behind
#        |                                      |                       the printed face (sheet thickness, holder)
#        +--------------------------------------+      turn_deg:        board turned counter-clockwise as you see it;
#                                                                       0 when its orientation mark is upright
#
# Each has a plus-or-minus (half-width, 95 of 100 cases): right_pm_mm 0.5, up_pm_mm 0.5, behind_pm_mm 0.2, turn_pm_deg 0.05,
# and parallel_pm_deg 0.02 (printed face parallel to the target's face) hold unless you write others.
# A second board is optional: both then say where the target is, each as well as you typed it, and are held against each other.

[[board]]
name = "stand-1"
# right_mm = 0.0           # FILL IN: remove the # in front and type your own numbers
# up_mm = 0.0
# behind_mm = 3.0
turn_deg = 0.0

# [[board]]
# name = "stand-2"
# right_mm = 300.0
# up_mm = 0.0
# behind_mm = 3.0
# turn_deg = 0.0

# Upright axis the stand turns about, from the target's centre, as you see it. With it, shifts are sized so that one turn plus
# the shifts end at zero. Without it the target is taken to be turned about its own middle.
# [pivot]
# right_mm = 0.0
# behind_mm = 250.0

# What the stand is moved by, in your own words: a check then says which one, and how far (mm, turns of a spindle, marks).
# makes: turn, distance, lateral, height, tip, tilt. For a turn say where it is (right_mm, behind_mm, as you see it) or how far
# from the axis (arm_mm); of a screw that tips or tilts how far from the hinge (arm_mm). ways: what the hand does, if not plain.
# [[adjuster]]
# name = "left castor"
# makes = ["turn"]
# right_mm = -350.0
# behind_mm = 200.0

# [[adjuster]]
# name = "height spindle"
# makes = ["height"]
# mm_per_turn = 3.0
# ways = { up = "clockwise", down = "counter-clockwise" }
"""

VEHICLE = """\
schema = "vehicle/1"
# What the car itself must keep before a target is placed, copied from the vehicle maker's licensed service information.
# `bayfix vehicle` compares; while a limit is not shown to be kept, no check says conforms. Nothing here is a default.

name = ""                  # FILL IN: which car, in words of your own
# tyre = "205/55R16"       # as on the sidewall; different sizes: [tyres] with front = "..." and rear = "..."
# toe_diameter_mm = 406.4  # toe is also given in mm at this diameter: say the rim's, or the tyre's, as the document does

# One block for each figure the document limits: value and tolerance, or least and/or most. Angles in deg, lengths in mm.
# Toe-in is positive, a thrust angle to the car's left is positive, camber is positive when the top leans outward.

# [limits.rear_total_toe]
# unit = "deg"
# value = 0.10
# tolerance = 0.20

# [limits.thrust_angle]
# unit = "deg"
# least = -0.10
# most = 0.10

# [limits.diagonal_difference]
# unit = "mm"
# value = 0.0
# tolerance = 5.0

# A limit that does not count for this car needs a reason and a name; both go into every result.
# [overruled.thrust_angle]
# reason = ""
# by = ""

[provenance]
document = ""              # FILL IN: which document or service information page
edition = ""
# date_read = 2026-01-31   # the day it was read (no quotes)
typed_by = ""              # FILL IN
checked_by = ""
"""
