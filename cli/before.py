"""`bayfix before`: what is asked before the first photo, and who answered it when."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command, talk

if TYPE_CHECKING:
    from calib.paper.job import Job

By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who answers.")]
Yes = Annotated[
    list[str] | None,
    typer.Option("--yes", metavar="KEY", help='It is so (repeatable); where words are asked for: "KEY=the words".'),
]
No = Annotated[list[str] | None, typer.Option("--no", metavar="KEY=REASON", help="It is not so, and why (repeatable).")]
AllYes = Annotated[bool, typer.Option("--rest-yes", help="Everything else that is still open is so.")]


def register(app: typer.Typer) -> None:
    app.command("before")(before)


@shop_command
def before(job: JobDir, by: By = "", yes: Yes = None, no: No = None, rest_yes: AllYes = False, as_json: Json = False) -> Exit:
    """Show the list of what must be so before the first photo, and note answers to it with name and time."""
    import datetime

    from calib.paper import before as paper
    from calib.paper.history import history, note
    from calib.paper.job import read_job
    from vision.errors import MeasurementError

    read = read_job(job, lenses_there=False)
    questions = paper.questions_of(read)
    said_yes, said_no = (dict(_split(word) for word in words or ()) for words in (yes, no))
    if rest_yes:
        answered = paper.latest_answers(history(read), questions)
        open_ = [q.key for q in questions if q.kind == "yes" and q.key not in said_no]
        said_yes = {key: "" for key in open_ if key not in answered} | said_yes
    if said_yes or said_no:
        if not any(letter.isalpha() for letter in by):
            raise MeasurementError("nobody is named who answers", hint='say who: --by "A. B."')
        answers = paper.answered(questions, said_yes, said_no)
        now = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        note(read, "before", paper.answers_document(answers, by.strip(), now))
    document = paper.list_document(questions, paper.latest_answers(history(read), questions))
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
        for line in _what_to_do(read, document, by):
            talk(line)
    return DONE


def _what_to_do(job: Job, document: Mapping[str, Any], by: str) -> Iterator[str]:
    """The command that answers what is open, with its own keys, and a lens that nobody calibrated yet."""
    from calib.paper.before import answering
    from calib.paper.job import lens_step

    simple = [row["key"] for row in document["questions"] if not row["answer"] and row["kind"] == "yes"]
    if options := answering(document):
        yield f'answer: bayfix before {job.folder.as_posix()} --by "{by.strip() or "…"}" {options}'
    if simple:
        yield f'        what is not so goes in front: --no "{simple[-1]}=why not"; one yes alone: --yes {simple[0]}'
    for lens in job.missing_lenses:
        yield f"open besides: lens not calibrated yet ({lens.as_posix()}); {lens_step(job, lens)}"


def _split(word: str) -> tuple[str, str]:
    key, _, words = word.partition("=")
    return key.strip(), words


def in_words(document: dict[str, Any]) -> str:
    """The list with its answers, open ones first said."""
    from cli.table import table

    rows = []
    for row in document["questions"]:
        answer = row["answer"] or "OPEN"
        said = f"{answer}: {row['why']}" if row["why"] else answer
        rows.append([row["key"], said, row["question"], f"{row['by']}, {row['date'][:16]}" if row["by"] else ""])
    count = document["open"]
    lead = f"{count} of {len(rows)} not answered yet" if count else "everything is answered"
    return "\n".join([lead, "", table(["key", "answer", "question", "answered by"], rows)])
