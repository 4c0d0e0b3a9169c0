"""How often sound bays are doubted: doubts told, measurements stopped and boards said to have moved where nothing is wrong.

    python -m tests.benchmarks.false_alarms [--bays 24] [--first 100] [--kind demo|campaign] [--cores 1] [--json]

Each bay is simulated (no pictures; corners with normal noise, typed values and lens erring within their ±) and goes through the
stations of `bayfix survey` and `check` from the sightings on: the demo's bays, their boards a little bent, or the bays of the
accuracy campaign. Promised is a probability of 10⁻³ for each adjustment, all suppositions together (Bonferroni); with 24 bays
not one alarm is to be seen. So the smallest chance of each survey, times the number of suppositions, is shown as well: where
the promise holds, at most a share p of the surveys lies below p, and many below 0.1 tell of suppositions judged too sharply.
A doubt counts only if it is also large enough to matter: those improbable but small are counted apart.
"""

from __future__ import annotations

from tests.support import one_thread  # noqa: F401 - as the command: set before numpy is loaded

# isort: split
import argparse
import json
import math
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np

from calib.doubts import FALSE_ALARM, survey_guesses
from cli.check_run import looked_into
from cli.doubting import Settled
from cli.stations import settled_survey
from tests.benchmarks.accuracy_bay import Trial, bay_of, simulated_job
from tests.benchmarks.noise_law import LAW
from tests.benchmarks.reference_bay import CHECK
from tests.support.simulated import Simulated, scene, scene_of, simulate, survey_of
from vision.errors import MeasurementError
from vision.parallel import in_parallel
from vision.snooping import snoop

LOW = (0.001, 0.01, 0.1, 0.5)


@dataclass
class Alarms:
    """What was said of one sound bay.

    Attributes
    ----------
    chance : float
        Smallest chance of a supposition about the survey, times their number; nan where the survey was stopped.
    least_likely : str
        That supposition.
    told, moved : list of str
        Doubts in words, of survey and check; floor boards said to have moved before the check.
    stopped : str
        Why there are no figures.
    """

    seed: int
    chance: float = math.nan
    least_likely: str = ""
    told: list[str] = field(default_factory=list)
    moved: list[str] = field(default_factory=list)
    stopped: str = ""


def sound_bay(kind: str, seed: int, folder: Path) -> Simulated:
    if kind == "demo":
        return simulate(folder, seed, of=scene(seed))
    one = bay_of(Trial(seed, "1080p"))
    return simulated_job(one, scene_of(one.demo), folder, LAW, np.random.default_rng([seed, 5]))


def alarms_of(work: tuple[str, int]) -> Alarms:
    """A sound bay surveyed and checked."""
    kind, seed = work
    out = Alarms(seed)
    with tempfile.TemporaryDirectory() as folder:
        sim = sound_bay(kind, seed, Path(folder))
        try:
            done = settled_survey(sim.desk, [view for view in sim.survey_views if view.seen])
            out.told += done.remarks
            out.chance, out.least_likely = _least_likely(sim, done)
            _, moved, told = looked_into(sim.desk, survey_of(sim, done.network), sim.check_views, CHECK)
            out.told += told
            out.moved += [f"{m.body}" for m in moved]
        except MeasurementError as err:
            out.stopped = f"{err.what}; {err.hint}"
    return out


def _least_likely(sim: Simulated, done: Settled) -> tuple[float, str]:
    network = done.network
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    guesses = [guess.what for guess in survey_guesses(done.views, sim.desk.job)]
    found = snoop(*network.inside, guesses, network.state.variance_factor)
    return min(1.0, math.exp(found[0].log_chance) * len(found)), str(found[0].what)[:160]


def summary(rows: Sequence[Alarms]) -> dict[str, object]:
    chances = [row.chance for row in rows if not math.isnan(row.chance)]
    return {
        "bays": len(rows),
        "doubted": sum(bool(row.told) for row in rows),
        "stopped": sum(bool(row.stopped) for row in rows),
        "boards_said_to_have_moved": sum(len(row.moved) for row in rows),
        "improbable_but_small": sum(row.chance < FALSE_ALARM and not row.told for row in rows),
        "share_of_surveys_below": {str(p): float(np.mean([chance < p for chance in chances])) for p in LOW} if chances else {},
    }


def in_words(rows: Sequence[Alarms]) -> str:
    s = summary(rows)
    below = s["share_of_surveys_below"]
    lines = [
        f"{s['bays']} sound bays: doubts told in {s['doubted']}, stopped {s['stopped']}, boards said to have moved "
        f"{s['boards_said_to_have_moved']}; improbable but too small to matter in {s['improbable_but_small']}",
        f"smallest chance of a survey, times its suppositions, below: {below}",
    ]
    for row in sorted(rows, key=lambda row: row.chance):
        said = " / ".join([*row.told, *(f"moved: {body}" for body in row.moved), *([row.stopped] if row.stopped else [])])
        if said or row.chance < 0.1:
            lines.append(f"  seed {row.seed}: {row.chance:.2g} {said or row.least_likely}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--bays", type=int, default=24)
    parser.add_argument("--first", type=int, default=100, help="seed of the first bay")
    parser.add_argument("--kind", choices=("demo", "campaign"), default="demo")
    parser.add_argument("--cores", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    work = [(given.kind, seed) for seed in range(given.first, given.first + given.bays)]
    rows = list(in_parallel(alarms_of, work, cores=given.cores))
    print(json.dumps({**summary(rows), "rows": [asdict(row) for row in rows]}, indent=1) if given.json else in_words(rows))


if __name__ == "__main__":
    main()
