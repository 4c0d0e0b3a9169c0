"""The job folder: what `job.toml` says, and where photos and results of one car lie.

DIR/job.toml              which lens profiles, boards, sheet and stand belong to this job; boards on wheels and floor
DIR/photos/<epoch>/       `roll-1` … `roll-n`, then `rest`, then `check-1` …
DIR/results/              written whole or not at all
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from calib.paper.job_model import FLOOR_PM_MM, JobFile
from calib.paper.job_wheels import BodyBoards, Standoff, Turning, WheelBoard
from calib.paper.stand import Stand
from calib.paper.vehicle import Overruled
from vision.boards import BoardSet
from vision.errors import FileError
from vision.toml_io import line_of, read_text, read_toml, write_whole

__all__ = ["Job", "Standoff", "TapeDistance", "WheelBoard", "check_job", "read_job", "with_overrides", "write_result"]

SCHEMA = "job/1"
JOB_FILE = "job.toml"


@dataclass(frozen=True, slots=True)
class TapeDistance:
    """Tape distance between the printed centre marks of two floor boards; half-width at k = 2."""

    a: str
    b: str
    mm: float
    pm_mm: float


@dataclass(frozen=True, slots=True)
class Job:
    """What one job folder says.

    Attributes
    ----------
    folder : Path
    lens : tuple of Path
        Lens profiles, matched to the photos by size and EXIF.
    lens_for : tuple of (str, Path)
        Pattern of photos (below `photos/`) that must use this profile; the last fitting pattern counts.
    boards : Path
    sheet, stand : Path or None
        None when the job file names none (survey and wheels can do without).
    floor : tuple of str
        Names of the floor boards.
    wheels : tuple of WheelBoard
        In the order of `job.toml`'s fixed names; the rear pair always.
    distances : tuple of TapeDistance
    floor_pm_mm : float
        Unevenness of the floor, half-width at k = 2; `FLOOR_PM_MM` where the file says nothing (`floor_typed`).
    standoff_common_pm_mm : float
        Error shared by the stand-offs of all wheels (equal holders), half-width at k = 2.
    vehicle : Path or None
        Limits and tyre sizes of the car; None when the job file names none.
    stylus : Path or None
        The taught stylus that touches points; None when the job file names none.
    stands : tuple of (str, Path)
        Stand files of placements whose target is another one.
    turning : Turning
        How the wheels come to turn between the epochs.
    body : BodyBoards
        Boards on the car's body, if any.
    """

    folder: Path
    lens: tuple[Path, ...]
    lens_for: tuple[tuple[str, Path], ...]
    boards: Path
    sheet: Path | None
    stand: Path | None
    floor: tuple[str, ...]
    wheels: tuple[WheelBoard, ...]
    distances: tuple[TapeDistance, ...]
    floor_pm_mm: float
    standoff_common_pm_mm: float
    vehicle: Path | None = None
    stylus: Path | None = None
    stands: tuple[tuple[str, Path], ...] = ()
    floor_typed: bool = True
    floor_overruled: Overruled | None = None
    turning: Turning = Turning()
    body: BodyBoards = BodyBoards()

    @property
    def photos_folder(self) -> Path:
        return self.folder / "photos"

    @property
    def results_folder(self) -> Path:
        return self.folder / "results"

    @property
    def reference_known(self) -> tuple[str, ...]:
        """Wheels whose stand-off was measured or whose flange was touched, so that their reference point is known."""
        return tuple(wheel.wheel for wheel in self.wheels if wheel.standoff is not None or wheel.flange)

    @property
    def flanges(self) -> dict[str, tuple[str, ...]]:
        """Touched points on the flange, by wheel."""
        return {wheel.wheel: wheel.flange for wheel in self.wheels if wheel.flange}

    def wheel_boards(self) -> dict[str, str]:
        """Board name by wheel ("rear_left", ...)."""
        return {wheel.wheel: wheel.board for wheel in self.wheels}

    def car_boards(self) -> tuple[str, ...]:
        """Boards on wheels and body."""
        return (*self.wheel_boards().values(), *self.body.boards)

    def need_sheet(self) -> Path:
        return _need(self.sheet, self.folder, "sheet")

    def need_stand(self) -> Path:
        """The stand file. Raises FileError when none is named or it is not there: no other command needs it."""
        return self._there(_need(self.stand, self.folder, "stand"), ("stand",))

    def stand_of(self, placement: str) -> Path | None:
        """The stand file of a placement that has one of its own; None when the job's serves it. Raises FileError as above."""
        own = dict(self.stands).get(placement)
        return None if own is None else self._there(own, ("stands", placement))

    def _there(self, file: Path, keys: tuple[str, ...]) -> Path:
        if file.is_file():
            return file
        path = self.folder / JOB_FILE
        raise FileError(
            f"{_where(path, read_text(path), keys)}: no such file: {file}",
            hint=f"correct the name, or write the file; a stand can be taught: bayfix stand teach {self.folder} --out {file}",
        )

    def need_stylus(self) -> Path:
        return _need(self.stylus, self.folder, "stylus")

    @property
    def missing_lenses(self) -> tuple[Path, ...]:
        """Lens profiles that the job names and nobody has made yet."""
        return tuple(path for path in dict.fromkeys((*self.lens, *(path for _, path in self.lens_for))) if not path.is_file())

    def forced_lens(self, photo: Path) -> Path | None:
        """Profile that a `[photos."…"]` table prescribes for a photo below `photos/`; None to match by size and EXIF."""
        name = PurePosixPath(photo.relative_to(self.photos_folder).as_posix())
        fitting = [lens for pattern, lens in self.lens_for if name.match(pattern)]
        return fitting[-1] if fitting else None


def read_job(
    folder: Path,
    *,
    boards: Path | None = None,
    lens: Sequence[Path] = (),
    sheet: Path | None = None,
    stand: Path | None = None,
    lenses_there: bool = True,
) -> Job:
    """Read `job.toml`, apply the overrides of the command line, and see that every named file is there but stand files.

    A stand may be taught later, on the survey: `Job.need_stand` and `Job.stand_of` ask for its file.
    Paths in the file are relative to the job folder, overrides to the current one. Names of boards are compared with the
    board set later (`check_job`). Without `lenses_there` a lens profile may be missing still (`Job.missing_lenses`): what
    is asked before the first photo needs none.

    Raises
    ------
    FileError
        Names file, line and key.
    """
    path = folder / JOB_FILE
    if not folder.is_dir():
        raise FileError(f"{folder}: no such job folder", hint=f"make one: bayfix job new {folder}")
    if not path.is_file():
        raise FileError(f"{folder}: no {JOB_FILE} in this folder", hint=f"write one: bayfix job new {folder}")
    job = _job_of(read_toml(path, JobFile, SCHEMA), folder)
    _check_uses(job, path)
    job = with_overrides(job, boards=boards, lens=lens, sheet=sheet, stand=stand)
    _check_files(job, path, lenses_there)
    return job


def _job_of(file: JobFile, folder: Path) -> Job:
    return Job(
        folder=folder,
        lens=tuple(folder / name for name in file.lens),
        lens_for=tuple((pattern, folder / entry.lens) for pattern, entry in file.photos.items()),
        boards=folder / file.boards,
        sheet=None if file.sheet is None else folder / file.sheet,
        stand=None if file.stand is None else folder / file.stand,
        stands=tuple((placement, folder / name) for placement, name in file.stands.items()),
        floor=tuple(file.floor),
        wheels=file.wheels.boards(),
        distances=tuple(TapeDistance(d.a, d.b, d.mm, d.pm_mm) for d in file.distance),
        floor_pm_mm=FLOOR_PM_MM if file.floor_pm_mm is None else file.floor_pm_mm,
        standoff_common_pm_mm=file.common_pm_mm(),
        vehicle=None if file.vehicle is None else folder / file.vehicle,
        stylus=None if file.stylus is None else folder / file.stylus,
        floor_typed=file.floor_pm_mm is not None,
        floor_overruled=file.floor_overruled.overruled() if file.floor_overruled else None,
        turning=file.wheels.turning(),
        body=BodyBoards() if file.body is None else file.body.on_body(),
    )


def with_overrides(
    job: Job,
    *,
    boards: Path | None = None,
    lens: Sequence[Path] = (),
    sheet: Path | None = None,
    stand: Path | None = None,
) -> Job:
    """The job with other files; `lens` replaces the whole list and the `[photos."…"]` prescriptions.

    Raises
    ------
    FileError
        One of the given files does not exist.
    """
    for path in (boards, *lens, sheet, stand):
        if path is not None and not path.is_file():
            raise FileError(f"{path}: no such file", hint="check the name given on the command line")
    return replace(
        job,
        boards=boards or job.boards,
        lens=tuple(lens) or job.lens,
        lens_for=() if lens else job.lens_for,
        sheet=sheet or job.sheet,
        stand=stand or job.stand,
    )


def check_job(job: Job, boards: BoardSet, stand: Stand | None = None) -> None:
    """Refuse board names that are not in the board set, plain chessboards, and a stand board used elsewhere.

    Raises
    ------
    FileError
    """
    path = job.folder / JOB_FILE
    text = read_text(path)
    for name, keys in _uses(job):
        _check_board(name, boards, _where(path, text, keys))
    if stand is None:
        return
    check_carried(job, boards, job.need_stand(), stand.names)


def check_carried(job: Job, boards: BoardSet, file: Path, names: Sequence[str], carrier: str = "the stand") -> None:
    """Refuse boards of a stand or mat file that are not in the board set, plain chessboards, and those used elsewhere.

    Raises
    ------
    FileError
    """
    used = {name: keys for name, keys in _uses(job)}
    for i, name in enumerate(names):
        where = _where(file, read_text(file), ("board", i, "name"))
        _check_board(name, boards, where)
        if name in used:
            raise FileError(
                f"{where}: board {name} is on {carrier} and in {JOB_FILE} under {_dotted(used[name])}",
                hint="a board can be in one place only",
            )


def write_result(job: Job, name: str, data: str | bytes) -> Path:
    """Write a result file whole, or leave the old one.

    Raises
    ------
    FileError
        The folder cannot be written, the disk is full.
    """
    path = job.results_folder / name
    try:
        write_whole(path, data)
    except OSError as err:
        raise FileError(
            f"{path}: cannot be written: {err.strerror or err}", hint="make room, or see to the rights of the folder"
        ) from err
    return path


def _need(path: Path | None, folder: Path, key: str) -> Path:
    if path is None:
        raise FileError(f"{folder / JOB_FILE}: {key}: this key is missing", hint=f'write {key} = "{key}.toml", or give --{key}')
    return path


def _uses(job: Job) -> Iterator[tuple[str, tuple[str | int, ...]]]:
    """Board names of the job file and the key each stands under."""
    for name in job.floor:
        yield name, ("floor",)
    for wheel in job.wheels:
        yield wheel.board, ("wheels", wheel.wheel, "board")
    for name in job.body.boards:
        yield name, ("body", "boards")


def _check_uses(job: Job, path: Path) -> None:
    text = read_text(path)
    owner: dict[str, tuple[str | int, ...]] = {}
    for name, keys in _uses(job):
        if name in owner:
            raise FileError(
                f"{_where(path, text, keys)}: board {name} is already used under {_dotted(owner[name])}",
                hint="a board can be in one place only",
            )
        owner[name] = keys
    for i, tape in enumerate(job.distances):
        for end, name in (("a", tape.a), ("b", tape.b)):
            if name not in job.floor:
                raise FileError(
                    f"{_where(path, text, ('distance', i, end))}: {name!r} is no floor board of this job",
                    hint=f"tape distances run between floor boards: {', '.join(job.floor)}",
                )


def _check_board(name: str, boards: BoardSet, where: str) -> None:
    if name not in boards:
        known = ", ".join(board.name for board in boards if board.is_charuco)
        raise FileError(f"{where}: there is no board {name!r} in the board set", hint=f"known boards: {known}")
    if not boards[name].is_charuco:
        raise FileError(f"{where}: board {name} is a plain chessboard", hint="chessboards serve the lens calibration only")


def lens_step(job: Job, profile: Path) -> str:
    """How a lens profile comes to be."""
    return f"calibrate the lens: bayfix lens PHOTOS --boards {job.boards} --out {profile} (about 12 photos of the lens board)"


def _check_files(job: Job, path: Path, lenses_there: bool) -> None:
    lenses: list[tuple[Path, tuple[str | int, ...], str]] = [
        *((lens, ("lens",), f"{lens_step(job, lens)}, or correct the name") for lens in job.lens),
        *((lens, ("photos", pattern, "lens"), "correct the name of the lens profile") for pattern, lens in job.lens_for),
    ]
    named: list[tuple[Path | None, tuple[str | int, ...], str]] = [
        *(lenses if lenses_there else []),
        (job.boards, ("boards",), "correct the name, or give --boards"),
        (job.sheet, ("sheet",), "correct the name, or give --sheet"),
        (job.vehicle, ("vehicle",), "correct the name, or strike the line"),
        (job.stylus, ("stylus",), "correct the name, or strike the line until the stylus is taught"),
    ]
    text = read_text(path)
    for file, keys, hint in named:
        if file is not None and not file.is_file():
            raise FileError(f"{_where(path, text, keys)}: no such file: {file}", hint=hint)


def _where(path: Path, text: str, keys: tuple[str | int, ...]) -> str:
    number = line_of(text, keys)
    return f"{path}:{number}: {_dotted(keys)}" if number else f"{path}: {_dotted(keys)}"


def _dotted(keys: tuple[str | int, ...]) -> str:
    return ".".join(str(key) for key in keys)
