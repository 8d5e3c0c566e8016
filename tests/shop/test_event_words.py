"""Every event that the program writes can be read."""

import ast
import re
from pathlib import Path

import pytest
from django.conf import settings

from shop.event_words import EVENT_WORDS, sentence
from shop.models import Event
from tests.factories import make_job, make_person

ROOT = Path(settings.BASE_DIR)


def slugs_written() -> set[str]:
    """The first argument of every record(...) in the program: a name, or a choice between two."""
    found = set()
    for app in ("shop", "keyboards"):
        for path in (ROOT / app).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                name = getattr(node.func, "id", None) if isinstance(node, ast.Call) else None
                if name == "record" and node.args:
                    first = node.args[0]
                    parts = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
                    found |= {part.value for part in parts if isinstance(part, ast.Constant)}
    return found


def test_the_search_for_events_finds_them():
    assert {"job_logged_in", "compass_set", "compass_changed", "stage_begun"} <= slugs_written()


def test_every_event_has_its_sentence():
    assert slugs_written() - set(EVENT_WORDS) == set()


def test_every_sentence_takes_its_details_by_name():
    for words in EVENT_WORDS.values():
        assert not re.search(r"%(?![(%])", str(words)), words
        assert re.sub(r"%\(\w+\)s", "", str(words)).count("%(") == 0


def said(what: str, **details) -> str:
    return sentence(Event(what=what, details=details))


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (("stage_finished", {"stage": "arrival_check"}), "finished: Arrival check"),
        (("stage_finished", {"stage": "strip", "note": "bass only"}), "finished: Take out old cloth (bass only)"),
        (("comeback_recorded", {"keys": 5, "cause": "a_b"}), "wrote down that 5 of its keys came back: a b"),
        (("stage_begun", {"stage": "a stage of long ago"}), "began: a stage of long ago"),
        (
            ("promise_changed", {"before": "", "after": "2026-12-18", "reason": "asked"}),
            "changed the promise from none to Fri 18 Dec 2026 (asked)",
        ),
        (("compass_set", {"count": 88, "first": "A0", "missing": [3, 4], "broken": []}),
         "wrote down the keys: 88 from A0, missing: 3, 4, broken: none"),
        (
            ("job_changed", {"changes": [["boxes", 1, 2], ["damage"], ["with_keyframe", True, False]]}),
            "changed what arrived: boxes 1 → 2, damage on arrival, keyframe included yes → no",
        ),
        (("client_changed", {"fields": ["name", "email"]}), "changed the client: name, e-mail"),
        (("job_held", {}), "put the set on hold: "),
        (("job_held", {"reason": "50 % RH"}), "put the set on hold: 50 % RH"),
        (("something_new", {"a": 1}), "something new"),
    ],
)  # fmt: skip
def test_an_event_reads_as_a_sentence(event, words):
    what, details = event
    assert said(what, **details) == words


@pytest.mark.parametrize(
    "details", [None, [], "text", 5, {"stage": None}, {"changes": "x"}, {"fields": 3}, {"before": []}]
)
def test_an_event_of_another_time_never_breaks_a_page(details):
    for what in EVENT_WORDS:
        assert sentence(Event(what=what, details=details))


@pytest.mark.django_db
def test_an_event_is_never_changed_or_removed():
    from django.db import DatabaseError, transaction

    event = make_job(by=make_person()).events.first()
    with pytest.raises(DatabaseError, match="only ever added"), transaction.atomic():
        Event.objects.filter(pk=event.pk).update(what="job_left")
    with pytest.raises(DatabaseError, match="only ever added"), transaction.atomic():
        Event.objects.filter(pk=event.pk).delete()
