"""What every event must have besides tests of its own; each failure names the file that lacks it."""

from __future__ import annotations

import typing

import pytest

from incidents.operations.deeds import FREE_TEXTS
from incidents.queries.sentences import (
    Names,
    sentence_of,
    sentence_of_department,
    sentence_of_history,
    sentence_of_machine,
)
from incidents.queries.story import digests_of
from incidents.rules import load_events, loads, paper_events, readings_events
from incidents.rules.events import TYPES
from incidents.rules.vocabulary import WordsRef
from tests.specimens import of_type
from tests.story import LOAD, story

OF_A_LOAD = [
    kind
    for kind, event in TYPES.items()
    if event.__module__ in (load_events.__name__, paper_events.__name__, readings_events.__name__)
]
# The department's own things have pages that tell of them in other words.
NO_TIMELINE = {
    "basis-set",
    "catalogue-drafted",
    "catalogue-published",
    "downtime-form-entered",
    "downtime-form-voided",
    "downtime-forms-issued",
    "facility-opened",
    "log-restored",
    "policy-set",
    "rack-blocked",
    "rack-registered",
    "rack-returned",
    "restoration-settled",
    "set-registered",
}


TELLERS = (sentence_of, sentence_of_machine, sentence_of_history, sentence_of_department)


@pytest.mark.parametrize("kind", OF_A_LOAD)
def test_every_event_of_a_load_has_a_step(kind: str) -> None:
    """Without one the fold takes it for something that belongs elsewhere, and holds the load."""
    load = loads.fold(LOAD, story(of_type(TYPES[kind])))
    astray = [odd for odd in load.unexpected if "belongs elsewhere" in odd.sentence]
    assert not astray, f"{kind} has no step: add one to _ALL_STEPS in rules/loads.py (`_unchanged` if none follows)"


@pytest.mark.parametrize("kind", sorted(set(TYPES) - NO_TIMELINE))
def test_every_event_has_a_sentence_of_its_own(kind: str) -> None:
    (event,) = story(of_type(TYPES[kind]))
    told = [tell(event, Names({}, {}))[1] for tell in TELLERS]
    own = [sentence for sentence in told if "belongs elsewhere" not in sentence]
    assert own, f"{kind} has no sentence: add a case to queries/sentences.py (or to NO_TIMELINE, if none shows it)"


@pytest.mark.parametrize("kind", TYPES)
def test_every_free_text_is_kept_beside_the_log_and_shown(kind: str) -> None:
    """By its field's name, which is its deed's parameter too: else the text would be in the request's digest."""
    hints = typing.get_type_hints(TYPES[kind])
    texts = {name for name, hint in hints.items() if WordsRef in (hint, *typing.get_args(hint))}
    assert texts <= set(FREE_TEXTS), f"{kind}: {sorted(texts)} are not all in FREE_TEXTS of operations/deeds.py"
    found = digests_of(story(of_type(TYPES[kind])))
    assert bool(found) == bool(texts), f"{kind}: digests_of in queries/story.py does not look at {sorted(texts)}"
