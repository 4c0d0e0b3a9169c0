"""The course of a job: what is asked beforehand, checks, scan tool outcomes, and the status that leads through it."""

from __future__ import annotations

import json

import pytest

from calib.paper.history import history, note
from calib.paper.job_state import next_open, open_placement
from calib.paper.sheet import read_sheets
from cli.check_inputs import states_of
from tests.support.commands import bayfix, refused
from tests.support.paper_job import THREE, paper_job

QUESTIONS = """\
schema = "before/1"
[[item]]
key = "tyres"
question = "Tyre pressures set"
[[item]]
key = "camera"
question = "Which camera"
answer = "words"
"""


def checked(job, placement="", verdict="conforms", epoch="check-1"):
    note(
        job,
        epoch,
        {
            "schema": "check/1",
            "placement": placement,
            "verdict": verdict,
            "epoch": epoch,
            "date": "2026-01-31T10:00:00+00:00",
            "survey": {"id": "abc", "date": "2026-01-31"},
            "moves_in_words": "move the stand 3.0 mm away from the car",
        },
    )


def states(job):
    return states_of(job, read_sheets(job.need_sheet()))


def test_a_placement_is_done_when_it_conforms_and_the_scan_tool_completed_after_it(tmp_path):
    job = paper_job(tmp_path, THREE)
    assert next_open(states(job)).name == "low"
    checked(job, "low", "undecided")
    assert next_open(states(job)).name == "low"
    checked(job, "low", epoch="check-2")
    assert not states(job)[0].is_done
    assert bayfix("outcome", tmp_path, "completed", "--by", "C. D.").status == 0
    assert [s.is_done for s in states(job)] == [True, False, False]
    assert open_placement(states(job)) == "high"


def test_a_redone_check_opens_its_placement_again_and_keeps_the_history(tmp_path):
    job = paper_job(tmp_path, THREE)
    checked(job, "low")
    bayfix("outcome", tmp_path, "completed", "--by", "C. D.")
    checked(job, "low", "does not conform", "check-2")
    low = states(job)[0]
    assert (low.checks, low.is_done, low.outcome) == (2, False, None)
    assert len(history(job)) == 3


@pytest.mark.parametrize(
    ("change", "counts"),
    [({}, 1), ({"required": 1501.0}, 0), ({"upper": 4.0}, 0), ({"lower": None}, 0), ({"name": "lateral_mm"}, 0)],
)
def test_a_check_counts_for_the_values_it_was_made_by(tmp_path, change, counts):
    """The sheet was changed since, or the check was made by another one."""
    job = paper_job(tmp_path)
    row = {"name": "distance_mm", "required": 1500.0, "lower": -5.0, "upper": 5.0} | change
    document = {"schema": "check/1", "placement": "", "verdict": "conforms", "epoch": "check-1", "date": "", "figures": [row]}
    note(job, "check-1", document)
    assert states(job)[0].checks == counts


@pytest.mark.parametrize(
    ("key", "value"), [("origin", "rear-axle"), ("side", "behind"), ("line", "centreline"), ("target", "x")]
)
def test_a_check_of_another_target_or_line_does_not_count(tmp_path, key, value):
    job = paper_job(tmp_path)
    note(
        job,
        "check-1",
        {"schema": "check/1", "placement": "", "verdict": "conforms", "epoch": "check-1", "date": "", key: value},
    )
    assert states(job)[0].checks == 0


@pytest.mark.parametrize("words", [("before", "--rest-yes"), ("outcome", "completed")])
def test_a_placeholder_is_nobodys_name(tmp_path, words):
    job = paper_job(tmp_path)
    checked(job)
    command, *more = words
    done = bayfix(command, tmp_path, *more, "--by", "…")
    assert done.status == 2
    assert "nobody is named" in done.err
    assert len(history(job)) == 1


def test_an_outcome_belongs_to_the_check_before_it(tmp_path):
    job = paper_job(tmp_path)
    checked(job)
    done = bayfix("outcome", tmp_path, "not-completed", "--by", "C. D.", "--note", "code 12", "--json")
    assert done.document["outcome"] == "not completed"
    assert done.document["note"] == "code 12"
    assert done.document["check"] == {
        "epoch": "check-1",
        "date": "2026-01-31T10:00:00+00:00",
        "verdict": "conforms",
        "survey": {"id": "abc", "date": "2026-01-31"},
    }
    assert (
        "find out why the calibration was not completed"
        in bayfix("job", "status", tmp_path, "--json").document["lines"][-1]["step"]
    )


def test_an_outcome_of_a_check_that_does_not_conform_is_noted_and_minded(tmp_path):
    job = paper_job(tmp_path)
    checked(job, verdict="undecided")
    done = bayfix("outcome", tmp_path, "completed", "--by", "C. D.")
    assert done.status == 0
    assert "mind: the newest check of it (check-1) says 'undecided'" in done.err
    assert not states(job)[0].is_done


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("completed", "--by", "C. D."), "low: there is no check of it yet"),
        (("completed", "--by", "C. D.", "--placement", "middle"), "there is no placement 'middle' on this sheet"),
    ],
)
def test_outcomes_that_cannot_be(tmp_path, words, complaint):
    job = paper_job(tmp_path, THREE)
    done = bayfix("outcome", tmp_path, *words)
    assert done.status == 2
    assert complaint in done.err
    assert history(job) == ()


def test_an_outcome_wants_a_name(tmp_path):
    job = paper_job(tmp_path)
    checked(job)
    done = bayfix("outcome", tmp_path, "completed", "--by", " ")
    assert done.status == 2
    assert "nobody is named" in done.err
    assert len(history(job)) == 1


def test_when_all_is_done_an_outcome_must_say_of_what(tmp_path):
    job = paper_job(tmp_path)
    checked(job)
    bayfix("outcome", tmp_path, "completed", "--by", "C. D.")
    done = bayfix("outcome", tmp_path, "completed", "--by", "C. D.")
    assert done.status == 2
    assert "every placement is done already" in done.err


def test_answers_are_kept_with_name_and_time_and_the_newest_counts(tmp_path):
    job = paper_job(tmp_path)
    (tmp_path / "before.toml").write_text(QUESTIONS, encoding="utf-8")
    first = bayfix("before", tmp_path, "--by", "A. B.", "--yes", "camera=the red phone", "--no", "tyres=front 0.2 bar low")
    assert first.status == 0
    assert first.out.startswith("everything is answered")
    bayfix("before", tmp_path, "--by", "C. D.", "--yes", "tyres")
    rows = {row["key"]: row for row in bayfix("before", tmp_path, "--json").document["questions"]}
    assert (rows["tyres"]["answer"], rows["tyres"]["by"]) == ("yes", "C. D.")
    assert (rows["camera"]["answer"], rows["camera"]["by"]) == ("the red phone", "A. B.")
    assert [entry.document["by"] for entry in history(job)] == ["A. B.", "C. D."]


def test_a_question_that_was_worded_anew_is_open_again(tmp_path):
    """Nobody said yes to what it became: an edited list once kept the answers to the old one."""
    paper_job(tmp_path)
    path = tmp_path / "before.toml"
    path.write_text(QUESTIONS, encoding="utf-8")
    bayfix("before", tmp_path, "--by", "A. B.", "--yes", "camera=the red phone", "--rest-yes")
    question = next(row["question"] for row in bayfix("before", tmp_path, "--json").document["questions"])
    path.write_text(QUESTIONS.replace(question, "Tyres cold, pressures of the trailer table"), encoding="utf-8")
    document = bayfix("before", tmp_path, "--json").document
    assert [row["key"] for row in document["questions"] if not row["answer"]] == ["tyres"]
    bayfix("before", tmp_path, "--by", "C. D.", "--rest-yes")
    assert bayfix("before", tmp_path, "--json").document["open"] == 0


def test_a_list_that_cannot_be_read_is_not_taken_for_none(tmp_path):
    paper_job(tmp_path)
    (tmp_path / "before.toml").unlink(missing_ok=True)
    (tmp_path / "before.toml").mkdir()
    assert "before.toml: cannot be read" in refused("before", tmp_path)


def test_the_rest_can_be_answered_at_once_but_not_for_others_nor_in_words(tmp_path):
    job = paper_job(tmp_path)
    bayfix("before", tmp_path, "--by", "A. B.", "--no", "doors=boot open for the cable")
    document = bayfix("before", tmp_path, "--by", "C. D.", "--rest-yes", "--json").document
    rows = {row["key"]: row for row in document["questions"]}
    assert (rows["doors"]["answer"], rows["doors"]["by"]) == ("no", "A. B.")
    assert (rows["chocks"]["answer"], rows["chocks"]["by"]) == ("yes", "C. D.")
    assert (rows["camera"]["answer"], document["open"]) == ("", 1)
    assert len(history(job)) == 2


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("--by", "A. B.", "--yes", "wheels"), "there is no question 'wheels'"),
        (("--by", "A. B.", "--no", "doors"), "doors is answered with no, without a reason"),
        (("--by", "A. B.", "--yes", "camera"), "camera wants words"),
        (("--by", "A. B.", "--yes", "doors", "--no", "doors=open"), "doors is answered with yes and with no"),
        (("--yes", "doors"), "nobody is named who answers"),
    ],
)
def test_answers_that_cannot_be_are_not_kept(tmp_path, words, complaint):
    job = paper_job(tmp_path)
    done = bayfix("before", tmp_path, *words)
    assert done.status == 2
    assert complaint in done.err
    assert history(job) == ()


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('key = "camera"', 'key = "tyres"', "item.1.key: the key tyres stands here twice"),
        ('"words"', '"number"', r"item.1.answer"),
        ('question = "Which camera"', 'question = " "', "is empty"),
        ('key = "tyres"', 'key = "Tyre pressures"', "item.0.key: 'Tyre pressures' is no key: a short name of small letters"),
    ],
)
def test_a_wrong_list_is_named(tmp_path, old, new, complaint):
    paper_job(tmp_path)
    (tmp_path / "before.toml").write_text(QUESTIONS.replace(old, new, 1), encoding="utf-8")
    done = bayfix("before", tmp_path)
    assert done.status == 2
    assert complaint in done.err
    assert "before.toml" in done.err


def test_the_status_leads_through_the_job(tmp_path):
    job = paper_job(tmp_path, THREE)

    def status():
        return bayfix("job", "status", tmp_path, "--json").document

    assert "bayfix before" in status()["next"]
    bayfix("before", tmp_path, "--by", "A. B.", "--rest-yes", "--yes", "camera=red phone")
    for epoch in ("roll-1", "roll-2", "rest"):
        assert f"photos/{epoch}" in status()["next"]
        (tmp_path / "photos" / epoch / "01.jpg").write_bytes(b"not looked at")
    assert status()["next"] == f"bayfix survey {tmp_path}"
    assert "bayfix sheet confirm" in status()["meanwhile"]
    lines = {line["what"]: line for line in status()["lines"]}
    assert lines["photos"]["words"] == "roll-1 1, roll-2 1, rest 1"
    assert "there is no survey yet" in lines["survey"]["words"]
    assert [what for what in lines if what[0].isdigit()] == ["1 low", "2 high", "3 far"]
    checked(job, "low", "does not conform")
    line = status()["lines"][-3]
    assert "move the stand 3.0 mm away from the car" in line["step"]
    assert "--placement low" in line["step"]
    checked(job, "low", epoch="check-2")
    assert "bayfix outcome" in status()["lines"][-3]["step"]
    bayfix("outcome", tmp_path, "completed", "--by", "C. D.")
    done, open_, later = status()["lines"][-3:]
    assert (done["state"], open_["state"]) == ("done", "open")
    assert "put the target up" in open_["step"]
    assert later["step"] == ""


def test_a_stand_nobody_taught_yet_holds_up_its_own_placement_only(tmp_path):
    job = paper_job(tmp_path, THREE)
    text = (tmp_path / "job.toml").read_text(encoding="utf-8")
    named = 'stands = { high = "second.toml", gone = "gone.toml" }\nstand ='
    (tmp_path / "job.toml").write_text(text.replace("stand =", named, 1), encoding="utf-8")

    def lines():
        return bayfix("job", "status", tmp_path, "--json").document["lines"]

    survey, high, gone, low = (line for line in lines() if line["what"] in ("survey", "stand", "1 low"))
    assert "there is no survey yet" in survey["words"]
    assert high["words"] == f"not there yet: {(tmp_path / 'second.toml').as_posix()}, for high"
    assert gone["words"].endswith("gone.toml")
    assert (high["step"], gone["step"]) == ("", "")
    assert "put the target up" in low["step"]
    checked(job, "low")
    bayfix("outcome", tmp_path, "completed", "--by", "C. D.")
    high, gone = (line for line in lines() if line["what"] == "stand")
    assert high["step"].startswith(f"put the target up and teach it (bayfix stand teach {tmp_path.as_posix()} --out ")
    assert gone["step"] == ""


def test_the_status_asks_for_the_words_of_a_question_that_a_yes_does_not_answer(tmp_path):
    paper_job(tmp_path)
    assert '--yes "camera=…" --rest-yes' in bayfix("job", "status", tmp_path, "--json").document["next"]
    bayfix("before", tmp_path, "--by", "A. B.", "--rest-yes")
    step = bayfix("job", "status", tmp_path, "--json").document["next"]
    assert step == f'answer them: bayfix before {tmp_path.as_posix()} --by "…" --yes "camera=…"'


def test_the_status_in_words_ends_with_what_to_do(tmp_path):
    paper_job(tmp_path)
    done = bayfix("job", "status", tmp_path)
    assert done.status == 0
    assert "\nnext: answer them: bayfix before" in done.out
    assert "draft" in done.out


def test_a_job_without_a_sheet_has_no_status(tmp_path):
    paper_job(tmp_path)
    (tmp_path / "sheet.toml").unlink()
    done = bayfix("job", "status", tmp_path)
    assert done.status == 2
    assert "sheet.toml" in done.err


def test_results_are_json_with_their_schema(tmp_path):
    job = paper_job(tmp_path)
    bayfix("before", tmp_path, "--by", "A. B.", "--rest-yes")
    (path,) = (job.results_folder / "history").iterdir()
    assert json.loads(path.read_text(encoding="utf-8"))["schema"] == "before-answers/1"


def test_a_new_job_has_a_status_before_anything_is_filled_in(tmp_path):
    """Nobody calibrated the lens, the sheet and the stand file are as they were written: lines of the screen, no refusal."""
    assert bayfix("job", "new", tmp_path / "new").status == 0
    done = bayfix("job", "status", tmp_path / "new", "--json")
    assert done.status == 0
    lines = {line["what"]: line for line in done.document["lines"]}
    assert lines["sheet"]["words"].endswith("sheet.toml:6: target: is empty: fill it in, and 2 more")
    assert "not calibrated yet" in lines["lens"]["words"]
    assert lines["lens"]["step"].startswith("calibrate the lens: bayfix lens PHOTOS")
    assert "board.0.right_mm" in lines["stand"]["words"]
    assert {line["state"] for line in lines.values()} == {"open"}
    assert done.document["next"] == lines["sheet"]["step"]
    assert done.document["meanwhile"] == ""


def test_questions_and_outcomes_need_no_lens(tmp_path):
    job = paper_job(tmp_path)
    (tmp_path / "phone.lens.toml").unlink()
    done = bayfix("before", tmp_path)
    assert done.status == 0
    assert f'bayfix before {tmp_path} --by "…" --yes "camera=…" --rest-yes' in done.err
    assert "lens not calibrated yet" in done.err
    checked(job)
    assert bayfix("outcome", tmp_path, "completed", "--by", "C. D.").status == 0
    assert "bayfix lens PHOTOS" in bayfix("survey", tmp_path).err


def test_a_name_alone_answers_nothing_and_says_how_to(tmp_path):
    job = paper_job(tmp_path)
    done = bayfix("before", tmp_path, "--by", "A. B.")
    assert f'answer: bayfix before {tmp_path} --by "A. B." --yes "camera=…" --rest-yes' in done.err
    assert history(job) == ()
    assert bayfix("before", tmp_path, "--by", "A. B.", "--yes", "camera=red phone", "--rest-yes").err == ""


def test_words_to_a_yes_are_kept_and_dots_are_no_words(tmp_path):
    paper_job(tmp_path)
    assert "camera wants words" in bayfix("before", tmp_path, "--by", "A. B.", "--yes", "camera=…").err
    rows = bayfix("before", tmp_path, "--by", "A. B.", "--yes", "tyres=2.3 bar", "--json").document["questions"]
    assert next((row["answer"], row["why"]) for row in rows if row["key"] == "tyres") == ("yes", "2.3 bar")
