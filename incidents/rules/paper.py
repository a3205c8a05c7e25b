"""What a downtime form does to the load that it tells of: a past that was claimed, judged when it is entered."""

from __future__ import annotations

from msgspec.structs import replace

from incidents.rules.events import EnteredFromPaper, LoadReleasedOnPaper, Recorded
from incidents.rules.load_state import Load, Release
from incidents.rules.load_steps import unexpected

# Why a form doesn't fit what is known here. None of it keeps the form out; all of it holds the load.
DOUBTS = {
    "form-not-issued": "its number was never issued",
    "form-voided": "its number was voided",
    "form-entered-twice": "its number was entered before",
    "trays-missing": "it names no tray that is known here",
    "tray-elsewhere": "a tray stands in another load whose cycle had not ended",
    "start-missing": "it gives no start",
    "order-of-times": "its end stands before its start",
    "machine-blocked": "the machine was blocked then",
    "machine-takes-not": "the machine did not take its programme or its rack then",
    "machine-told-otherwise": "the machine itself reported a fault in this cycle",
    "cycle-known": "another load here has this number of the machine’s counter",
    "chamber-busy": "it gives no end, and another load is in its chamber",
    "signer-missing": "nobody’s name stands under the release",
    "signer-not-authorised": "whoever signed the release had no current release competence",
}


def label_of(number: int) -> str:
    """A form's number as it is printed, spoken and scanned."""
    return f"D-{number:05d}"


def is_label(text: str) -> bool:
    return text[:2].upper() == "D-" and text[2:].isascii() and text[2:].isdigit()


def entered(load: Load, event: Recorded, data: EnteredFromPaper) -> Load:
    """The load's story was written by hand. What is doubtful about the form holds the load."""
    after = replace(load, form=data.form, stands_before=data.before)
    if not data.doubts:
        return after
    said = "; ".join(DOUBTS.get(doubt, doubt) for doubt in data.doubts)
    return unexpected(after, event, f"Downtime form {label_of(data.form)} doesn’t fit: {said}.")


def released(load: Load, event: Recorded, data: LoadReleasedOnPaper) -> Load:
    """It left as written. With nothing against it that is a release; else it *left on paper*, and counts for none.

    A release left on paper never becomes one by itself: once its holds have ended, the load awaits a signature.
    """
    gone = Release(
        event.event_id, data.purpose, data.claimed_by or event.actor.id, event.occurred_at, event.position
    )
    unfit = _unfit(load)
    if unfit:
        return unexpected(replace(load, left_on_paper=gone), event, unfit)
    if data.against or load.stage != "finished":
        return replace(load, left_on_paper=gone)
    return replace(load, release=gone)


def _unfit(load: Load) -> str:
    """Why such a release stands against itself, where no other hold says so already."""
    if load.release is not None or load.reprocessed:
        return "A release on paper was entered though its story had ended already."
    if load.reruns:
        return "A release on paper was entered though its items were run again as another load."
    if load.stage in ("aborted", "incomplete"):
        return ""
    if load.stage != "finished" or load.review is None:
        return "It was released on paper though no record of a complete cycle was reviewed."
    return ""
