"""What is asked before the first photo: a list the shop can edit, and the answers of a job, with name and time.

The measurement takes the car as it stands; what it cannot see by itself is asked here.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from calib.paper.entries import Filled
from calib.paper.history import Entry, history
from calib.paper.job import Job
from vision.errors import MeasurementError
from vision.toml_io import EntryError, FileModel, read_toml

SCHEMA, ANSWERS, LIST = "before/1", "before-answers/1", "before-list/1"
BEFORE_FILE = "before.toml"
NOT_SO = "no"


@dataclass(frozen=True, slots=True)
class Question:
    """One question; `kind` is "yes" (to be answered with yes, or no and why) or "words"."""

    key: str
    text: str
    kind: Literal["yes", "words"] = "yes"


@dataclass(frozen=True, slots=True)
class Answer:
    """`value` is "yes", "no", or the words asked for; `why` explains a no, or is a note to a yes."""

    key: str
    question: str
    value: str
    why: str = ""


def read_questions(path: Path) -> tuple[Question, ...]:
    """Read the shop's list.

    Raises
    ------
    FileError
    """
    return read_toml(path, _BeforeFile, SCHEMA).questions()


def questions_of(job: Job) -> tuple[Question, ...]:
    """The job's own list (`before.toml` in its folder), or the usual one.

    Raises
    ------
    FileError
    """
    path = job.folder / BEFORE_FILE
    if path.exists():
        return read_questions(path)
    return _BeforeFile.model_validate(tomllib.loads(BEFORE)).questions()


def list_document(questions: tuple[Question, ...], answers: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    """`before-list/1`: every question with its newest answer."""
    rows = []
    for question in questions:
        answer = answers.get(question.key, {})
        said = {key: answer.get(key, "") for key in ("answer", "why", "by", "date")}
        rows.append({"key": question.key, "kind": question.kind, "question": question.text, **said})
    return {"schema": LIST, "questions": rows, "open": sum(not row["answer"] for row in rows)}


def answering(document: Mapping[str, Any]) -> str:
    """Options of `bayfix before` that answer what is open in a `before-list/1`; empty where nothing is."""
    open_ = [row for row in document["questions"] if not row["answer"]]
    worded = [f'--yes "{row["key"]}=…"' for row in open_ if row["kind"] == "words"]
    return " ".join([*worded, *["--rest-yes"] * (len(worded) < len(open_))])


def remarks(questions: tuple[Question, ...], answers: Mapping[str, Mapping[str, str]]) -> list[str]:
    """What a result has to say of the list: what is open, and what is not so."""
    open_ = [question.key for question in questions if question.key not in answers]
    out = [f"not answered before the first photo: {', '.join(open_)}"] if open_ else []
    for question in questions:
        answer = answers.get(question.key, {})
        if answer.get("answer") == NOT_SO:
            out.append(f"not so, by {answer['by']}: {question.text}; reason: {answer['why']}")
    return out


def before_remarks(job: Job) -> list[str]:
    """`remarks` of a job that keeps a list, or has answered any of it; none of a job that does not."""
    questions = questions_of(job)
    answers = latest_answers(history(job), questions)
    if not answers and not (job.folder / BEFORE_FILE).exists():
        return []
    return remarks(questions, answers)


def answered(questions: tuple[Question, ...], yes: Mapping[str, str], no: Mapping[str, str]) -> tuple[Answer, ...]:
    """Answers to some of the questions.

    Parameters
    ----------
    yes : mapping of key to words
        Words are needed where the question wants words, and kept as a note otherwise.
    no : mapping of key to reason

    Raises
    ------
    MeasurementError
        No such question, answered both ways, a no without a reason, words missing.
    """
    known = {question.key: question for question in questions}
    for key in (*yes, *no):
        if key not in known:
            raise MeasurementError(f"there is no question {key!r} in the list", hint=f"questions: {', '.join(known)}")
    both = sorted(set(yes) & set(no))
    if both:
        raise MeasurementError(f"{both[0]} is answered with yes and with no", hint="answer it once")
    out = []
    for key, words in yes.items():
        if known[key].kind == "words" and not _says(words):
            raise MeasurementError(f"{key} wants words: {known[key].text}", hint=f'say: --yes "{key}=…"')
        said = (words.strip(), "") if known[key].kind == "words" else ("yes", words.strip())
        out.append(Answer(key, known[key].text, *said))
    for key, reason in no.items():
        if not _says(reason):
            raise MeasurementError(f"{key} is answered with no, without a reason", hint=f'say why: --no "{key}=…"')
        out.append(Answer(key, known[key].text, NOT_SO, reason.strip()))
    order = list(known)
    return tuple(sorted(out, key=lambda answer: order.index(answer.key)))


def _says(words: str) -> bool:
    """Whether words say anything: a copied "…" does not."""
    return any(letter.isalnum() for letter in words)


def answers_document(answers: tuple[Answer, ...], by: str, date: str) -> dict[str, Any]:
    """`before-answers/1`: who answered what, when."""
    rows = [{"key": a.key, "question": a.question, "answer": a.value, "why": a.why} for a in answers]
    return {"schema": ANSWERS, "date": date, "by": by, "answers": rows}


def latest_answers(entries: tuple[Entry, ...], questions: tuple[Question, ...]) -> dict[str, dict[str, str]]:
    """The newest answer to every question as it is worded now, by key: question, answer, why, by, date.

    Nobody said yes to what a question became after the answer.
    """
    worded = {question.key: question.text for question in questions}
    out: dict[str, dict[str, str]] = {}
    for entry in entries:
        if entry.schema == ANSWERS:
            for row in entry.document["answers"]:
                if row["question"] == worded.get(row["key"]):
                    out[row["key"]] = {**row, "by": entry.document["by"], "date": entry.document["date"]}
    return out


def _key(text: str) -> str:
    if re.fullmatch(r"[a-z0-9][a-z0-9_-]*", text) is None:
        raise ValueError(f"{text!r} is no key: a short name of small letters, digits, hyphens and underscores")
    return text


class _Item(FileModel):
    key: Annotated[str, AfterValidator(_key)]
    question: Filled
    answer: Literal["yes", "words"] = "yes"


class _BeforeFile(FileModel):
    schema_name: str = Field(alias="schema")
    item: Annotated[list[_Item], Field(min_length=1, max_length=100)]

    @model_validator(mode="after")
    def _once(self) -> _BeforeFile:
        keys = [item.key for item in self.item]
        for i, key in enumerate(keys):
            if key in keys[:i]:
                raise EntryError(f"the key {key} stands here twice", "item", i, "key")
        return self

    def questions(self) -> tuple[Question, ...]:
        return tuple(Question(item.key, item.question, item.answer) for item in self.item)


BEFORE = """\
schema = "before/1"
# Asked before the first photo (bayfix before JOB). Strike out, add and reword as your shop and the vehicle maker's procedure
# want it; the answers go into the job's history with name and time.
#   answer = "yes"      answered with yes, or with no and a reason (the usual kind)
#   answer = "words"    answered in words

[[item]]
key = "procedure"
question = "The vehicle maker's procedure for this sensor is at hand, in its present edition"

[[item]]
key = "tyres"
question = "Tyres of the right size, alike on each axle, sound, pressures set"

[[item]]
key = "load"
question = "Fuel, load and fluids as the procedure wants them, nobody in the car, nothing heavy in the boot"

[[item]]
key = "ride-height"
question = "Ride height right, suspension settled, air suspension in the mode the procedure names"

[[item]]
key = "doors"
question = "Doors, bonnet and boot closed"

[[item]]
key = "steering"
question = "Steering straight, as the car runs straight"

[[item]]
key = "battery"
question = "Battery supported"

[[item]]
key = "sensor"
question = "Sensor, its bracket, glass and cover sound and clean"

[[item]]
key = "light"
question = "Light even, no sun on boards or target, no reflections"

[[item]]
key = "background"
question = "Nothing behind or beside the target that the sensor could take for it"

[[item]]
key = "clearance"
question = "Room around car and target free as the procedure wants it"

[[item]]
key = "boards"
question = "Boards whole, clean, flat, fixed; bars measured"

[[item]]
key = "camera"
question = "Which camera takes the photos (the shop's name for it)"
answer = "words"

[[item]]
key = "chocks"
question = "Chocks set and parking brake on; path clear before rolling, one person in command"
"""
