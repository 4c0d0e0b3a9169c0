"""A survey from JPEG files: its time against a default marker pass, its memory, and a second survey after one more photo.

    python -m tests.benchmarks.survey_speed [--photos 100] [--size 1080p|12mp] [--folder DIR] [--json]

Photos of a demo bay are rendered (12 megapixels: some minutes for 100). Timed are whole processes, start and imports included,
each over all photos:

- ours: `bayfix survey` on a fresh job (reading, first look, adjustment, second look, adjustment, results), on all cores;
- the yardstick: as many worker processes, started the same way, each decoding its photos to grey (`cv2.imread`) and running one
  OpenCV `ArucoDetector` pass with default parameters and the boards' dictionary, OpenCV held to one thread per process.

Wanted: ours at most 3 times the yardstick, and below 1.2 GB for 100 photos of 12 megapixels (proportional set size of all
processes together, sampled ten times a second; Linux only). Then one more photo is added and surveyed again; wanted: beyond
looking at that photo, at most 10 % of the first survey's work (processor time of all processes). Where that goes is shown by a
further run of the same in one process, part by part.
"""

from __future__ import annotations

from tests.support import one_thread  # noqa: F401 - as the command: set before numpy is loaded

# isort: split
import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np

from cli.demo_bay import CHECK, DemoBay, invent, write_job, write_photos
from synthetic_images.shot import Shot
from synthetic_images.shots import demo_shots
from tests.support.simulated import LENS_SIGMA, true_lens
from vision import parallel
from vision.camera import LensProfile
from vision.camera_io import write_profile
from vision.parallel import in_parallel

SEED = 3
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Run:
    """A finished process with its workers: wall and processor time, s, largest memory at any moment, MB (0: not known)."""

    wall_s: float
    cpu_s: float
    memory_mb: float


def make_job(folder: Path, photos: int, megapixels: int) -> list[Path]:
    """A job with that many photos of roll epochs and rest; their paths. Photos that are there already stay."""
    demo = invent(SEED, megapixels=megapixels)
    write_job(demo, folder, SEED)
    camera = demo.camera
    profile = LensProfile("shop", true_lens(camera), np.diag(LENS_SIGMA**2), make=camera.make, model=camera.model)
    write_profile(folder / "shop.lens.toml", profile, None)
    shots = _shots(demo, photos)
    paths = [folder / "photos" / shot.file_name for shot in shots]
    missing = tuple(shot for shot, path in zip(shots, paths, strict=True) if not path.is_file())
    list(write_photos(replace(demo, shots=missing), folder, SEED))
    return paths


def _shots(demo: DemoBay, count: int) -> list[Shot]:
    """So many shots of the survey, taken round the car again and again, evenly over all epochs and sides."""
    shots: list[Shot] = []
    while len(shots) < count:
        number = len(shots)
        again = demo_shots(demo.bay, np.random.default_rng([SEED, number]), demo.camera)
        shots += [replace(shot, name=f"{shot.name}-{number}") for shot in again if shot.epoch not in ("lens", CHECK)]
    picked = np.linspace(0, len(shots) - 1, count).round().astype(int)
    return [shots[i] for i in picked]


def run_of(*command: str) -> str:
    """What a Python process that ends well writes."""
    return subprocess.run([sys.executable, *command], cwd=ROOT, check=True, capture_output=True, text=True).stdout


def timed(*command: str) -> Run:
    """Run a Python process and its workers to the end."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, *command], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    largest = [0.0]
    watcher = threading.Thread(target=_watch, args=(process.pid, largest), daemon=True)
    watcher.start()
    _, err = process.communicate()
    wall = time.perf_counter() - began
    watcher.join()
    if process.returncode:
        raise RuntimeError(f"{' '.join(command)}: status {process.returncode}\n{err}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Run(wall, cpu, largest[0])


def _watch(pid: int, largest: list[float]) -> None:
    while Path(f"/proc/{pid}").exists():
        largest[0] = max(largest[0], sum(map(_memory_mb, _family(pid))))
        time.sleep(0.1)


def _family(pid: int) -> list[int]:
    """The process and its descendants."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return []
    return [pid, *(one for child in children for one in _family(int(child)))]


def _memory_mb(pid: int) -> float:
    try:
        rows = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(float(row.split()[1]) for row in rows if row.startswith("Pss:")) / 1024.0


def yardstick(paths: Sequence[Path]) -> None:
    """Decode and one default marker pass over all photos, spread as a survey's are."""
    list(in_parallel(_default_pass, list(paths)))


def _default_pass(path: Path) -> int:
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36H11)
    detector = cv2.aruco.ArucoDetector(dictionary, cv2.aruco.DetectorParameters())
    return len(detector.detectMarkers(gray)[0])


def look_alone(path: Path, folder: Path) -> float:
    """Processor time of reading and looking at one photo, s, in this process."""
    from cli.stations import Overrides, open_desk
    from vision.gather import PhotoTask, gather

    desk = open_desk(folder, Overrides())
    began = time.process_time()
    gather([PhotoTask(path.name, path, tuple(desk.profiles.values()))], desk.in_use)
    return time.process_time() - began


PARTS = {
    "look_at": "photos and kept looks",
    "odd_photos": "odd photos",
    "kept_poses": "kept survey",
    "settled_from": "network and doubts",
    "settled_survey": "network and doubts once more",
    "_second_look": "boards predicted",
    "looked_again": "second looks",
    "keep_survey": "results written",
}
"""What the stations of a survey are called here; one within another counts there."""


def survey_by_parts(folder: Path) -> dict[str, float]:
    """Processor time of the parts of a survey in this process alone, s."""
    from cli import stations
    from cli.kept_survey import keep_survey

    spent, inside = {"start and imports": time.process_time()}, [0]

    def timed_part(function: Callable[..., Any], part: str) -> Callable[..., Any]:
        def run(*given: Any, **named: Any) -> Any:
            began = time.process_time()
            inside[0] += 1
            try:
                return function(*given, **named)
            finally:
                inside[0] -= 1
                if not inside[0]:
                    spent[part] = spent.get(part, 0.0) + time.process_time() - began

        return run

    for name in PARTS.keys() - {"keep_survey"}:
        setattr(stations, name, timed_part(getattr(stations, name), PARTS[name]))
    parallel.LEAST_FOR_POOL = sys.maxsize
    desk = stations.open_desk(folder, stations.Overrides())
    timed_part(keep_survey, PARTS["keep_survey"])(desk, stations.survey(desk))
    return spent


def survey_of(folder: Path) -> Run:
    return timed("-c", "from cli.main import main; main()", "survey", str(folder), "--json")


def measure(folder: Path, photos: int, megapixels: int) -> dict[str, object]:
    paths = make_job(folder, photos + 1, megapixels)
    shutil.rmtree(folder / "results", ignore_errors=True)
    late = paths[-1]
    shutil.move(late, folder / "late.jpg")
    stick = timed("-m", __spec__.name, "--yardstick", str(folder))
    first = survey_of(folder)
    same = survey_of(folder)
    before = folder / "results-before"
    shutil.rmtree(before, ignore_errors=True)
    shutil.copytree(folder / "results", before)
    shutil.move(folder / "late.jpg", late)
    more = survey_of(folder)
    shutil.rmtree(folder / "results")
    before.rename(folder / "results")
    parts = json.loads(run_of("-m", __spec__.name, "--parts", str(folder)))
    look_s = look_alone(late, folder)
    document = json.loads((folder / "results" / "survey.json").read_text(encoding="utf-8"))
    return {
        "photos": len(document["photos"]) - 1,
        "megapixels": megapixels,
        "cores": os.cpu_count(),
        "load": os.getloadavg()[0],
        "sightings": document["sightings_used"],
        "yardstick_s": stick.wall_s,
        "yardstick_cpu_s": stick.cpu_s,
        "survey_s": first.wall_s,
        "survey_cpu_s": first.cpu_s,
        "ratio": first.wall_s / stick.wall_s,
        "ratio_cpu": first.cpu_s / stick.cpu_s,
        "memory_mb": first.memory_mb,
        "yardstick_memory_mb": stick.memory_mb,
        "again_unchanged_cpu_s": same.cpu_s,
        "again_one_more_s": more.wall_s,
        "again_one_more_cpu_s": more.cpu_s,
        "look_at_that_photo_cpu_s": look_s,
        "again_one_more_by_part_cpu_s": parts,
        "share_beyond": (more.cpu_s - look_s) / first.cpu_s,
        "share_whole": more.cpu_s / first.cpu_s,
    }


def in_words(result: dict[str, object]) -> str:
    r, parts = result, cast(dict[str, float], result["again_one_more_by_part_cpu_s"])
    return "\n".join(
        [
            f"{r['photos']} photos of {r['megapixels']} megapixels, {r['cores']} cores, load {r['load']:.1f}, "
            f"{r['sightings']} boards used",
            f"decode + default marker pass  {r['yardstick_s']:7.1f} s  ({r['yardstick_cpu_s']:.1f} s of processor time)",
            f"survey                        {r['survey_s']:7.1f} s  ({r['survey_cpu_s']:.1f} s of processor time)",
            f"ratio                         {r['ratio']:7.2f}    ({r['ratio_cpu']:.2f} by processor time; wanted: 3 or less)",
            f"memory of all processes       {r['memory_mb']:7.0f} MB (wanted: 1200 or less; marker pass "
            f"{r['yardstick_memory_mb']:.0f} MB)",
            f"survey again, nothing new     {r['again_unchanged_cpu_s']:7.1f} s of processor time",
            f"survey again, one more photo  {r['again_one_more_cpu_s']:7.1f} s of processor time "
            f"({r['look_at_that_photo_cpu_s']:.1f} s for that photo; {r['again_one_more_s']:.1f} s by the clock)",
            f"share of the first survey     {100 * r['share_beyond']:7.1f} %  beyond looking at that photo (wanted: 10 or "
            f"less), {100 * r['share_whole']:.1f} % in all",
            *(f"  {part:<40} {seconds:7.2f} s" for part, seconds in sorted(parts.items(), key=lambda row: -row[1])),
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=100)
    parser.add_argument("--size", choices=("1080p", "12mp"), default="12mp")
    parser.add_argument(
        "--folder", type=Path, help="folder for the job, rendered photos in it are used; a temporary one by default"
    )
    parser.add_argument("--yardstick", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--parts", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    if given.yardstick:
        yardstick(sorted(given.yardstick.glob("photos/*/*.jpg")))
        return
    if given.parts:
        print(json.dumps(survey_by_parts(given.parts)))
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        result = measure(folder, given.photos, 12 if given.size == "12mp" else 2)
    print(json.dumps(result, indent=1) if given.json else in_words(result))


if __name__ == "__main__":
    main()
