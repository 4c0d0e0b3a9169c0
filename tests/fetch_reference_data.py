"""Fetch the photographs and numbers by others that some tests use, by package name, and lay them out for BAYFIX_REFERENCE_DATA.

    python tests/fetch_reference_data.py FOLDER

They are samples in the source distribution of opencv-python (Apache-2.0; some 80 MB to download, 2 MB are kept). The data of
the tests against Zhang's paper and the AprilTag library come with no package; those tests skip.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

CHARUCO_DOC = "doc/tutorials/objdetect/charuco_detection/images"
PAIRS = (*range(1, 10), *range(11, 15))
WANTED: Mapping[str, str] = {
    **{f"samples/data/{s}{i:02d}.jpg": f"chessboard-{s}/{s}{i:02d}.jpg" for s in ("left", "right") for i in PAIRS},
    "samples/data/left_intrinsics.yml": "chessboard-left/left_intrinsics.yml",
    "samples/cpp/tutorial_code/calib3d/camera_calibration/out_camera_data.yml": "out_camera_data.yml",
    "samples/cpp/tutorial_code/objectDetection/tutorial_camera_charuco.yml": "charuco/tutorial_camera_charuco.yml",
    f"{CHARUCO_DOC}/choriginal.jpg": "charuco/choriginal.jpg",
    f"{CHARUCO_DOC}/chocclusion_original.jpg": "charuco/chocclusion_original.jpg",
    "doc/tutorials/objdetect/aruco_detection/images/singlemarkerssource.jpg": "single-markers/singlemarkerssource.jpg",
}
"""Place in the distribution's folder `opencv/`, and place in the folder of the tests."""
CONSTRAINTS = Path(__file__).resolve().parents[1] / "constraints.txt"


def version(constraints: str) -> str:
    """The pinned version of opencv-python."""
    found = re.search(r"^opencv-python==(\S+)$", constraints, re.MULTILINE)
    if found is None:
        raise SystemExit("constraints.txt pins no opencv-python")
    return found[1]


def download(wanted: str, folder: Path) -> Path:
    """The source distribution, fetched by pip."""
    command = ["pip", "download", "--no-deps", "--no-binary", "opencv-python", f"opencv-python=={wanted}", "-d", str(folder)]
    subprocess.run([sys.executable, "-m", *command], check=True)
    return next(folder.glob("opencv*.tar.gz"))


def lay_out(archive: Path, folder: Path) -> list[Path]:
    """Copy the wanted files out of the distribution; says which are missing."""
    written: dict[str, Path] = {}
    with tarfile.open(archive) as tar:
        for member in tar:
            inside = PurePosixPath(*PurePosixPath(member.name).parts[2:]).as_posix()
            source = tar.extractfile(member) if inside in WANTED and member.isfile() else None
            if source is None:
                continue
            path = folder / WANTED[inside]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(source.read())
            written[inside] = path
    missing = sorted(set(WANTED) - set(written))
    if missing:
        raise SystemExit(f"{archive.name} does not hold: {', '.join(missing)}")
    return list(written.values())


def main() -> None:
    if len(sys.argv) != 2 or sys.argv[1].startswith("-"):
        raise SystemExit((__doc__ or "").strip())
    folder = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as scratch:
        archive = download(version(CONSTRAINTS.read_text(encoding="utf-8")), Path(scratch))
        written = lay_out(archive, folder)
    print(f"{len(written)} files in {folder}; now: BAYFIX_REFERENCE_DATA={folder} python -m pytest")


if __name__ == "__main__":
    main()
