"""The floor's other deeds on a load: each a form of its own, listed on the load's page where it makes sense."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, NamedTuple
from uuid import UUID

from django import forms

from incidents.identity.models import Membership
from incidents.operations import alarms, corrections, inspection, interruptions
from incidents.operations.deeds import Outcome, Request
from incidents.pages.forms import Moment, Text
from incidents.pages.here import Here
from incidents.pages.templatetags.sluicegate import words as words_for
from incidents.queries import floor, loads
from incidents.queries.story import Story, by_person, correctable, entries_of
from incidents.rules import authority
from incidents.rules.corrections import CORRECTABLE, FIELD_WORDS
from incidents.rules.events import Recorded
from incidents.rules.inspection import REJECT_REASONS, WAYS
from incidents.rules.interruptions import STOPS, door_is_told

Given = dict[str, Any]
NO_PATIENT = "Name no patient."
AFTER_ITS_END = "after-its-end"


def choice(label: str, choices: list[tuple[str, str]], **more: Any) -> forms.ChoiceField:
    return forms.ChoiceField(label=label, choices=choices, widget=forms.RadioSelect, **more)


def words(label: str = "In your words", *, required: bool = True) -> forms.CharField:
    area = forms.Textarea(attrs={"rows": 3})
    return forms.CharField(label=label, required=required, max_length=4000, widget=area, help_text=NO_PATIENT)


class WhenForm(forms.Form):
    """Every deed may be told late: when it happened is claimed, when it was written is the ledger's."""

    happened_at = Moment(
        label="When it happened",
        required=False,
        help_text="Leave it empty for now; fill it in for a late entry.",
    )


class LoadDeed(NamedTuple):
    """A form on a load. `fields` may depend on the load; `fits` says when its page lists it."""

    title: str
    lead: str
    glyph: str
    act: str
    operation: str
    fields: Callable[[Here, Story], dict[str, forms.Field]]
    run: Callable[[Request, UUID, Given], Outcome]
    fits: Callable[[Story], bool]


def _mid_cycle(told: Story) -> bool:
    return told.load.stage in ("running", "stopped")


def _ended(told: Story) -> bool:
    return told.load.stage in ("finished", "aborted", "incomplete")


def _always(told: Story) -> bool:
    return True


def _phases(told: Story) -> forms.ChoiceField:
    """No phase is chosen by leaving the field as it stands."""
    known = told.load.programme.phases if told.load.programme else ()
    after = [(AFTER_ITS_END, "After its end")] if _ended(told) else []
    named = [(code, words_for(code).capitalize()) for code in (*known, "unknown")]
    return forms.ChoiceField(label="Phase", choices=[("", "Choose the phase"), *after, *named])


def _sent(here: Here) -> bool:
    """A form that is sent may name what its own deed just changed: sent twice, it gets its receipt."""
    return here.request.method == "POST"


def _open_alarms(here: Here, told: Story) -> dict[str, forms.Field]:
    shown = [alarm for alarm in told.load.alarms if alarm.cleared_at is None or _sent(here)]
    return {"alarm": choice("Which condition is gone?", [(str(alarm.id), alarm.title) for alarm in shown])}


def _trays_of(here: Here, told: Story) -> list[tuple[str, str]]:
    shown = [tray for tray in told.trays if not tray.fate or _sent(here)]
    return [(str(tray.id), f"{tray.label} ({tray.set_name})") for tray in shown]


def _reject_fields(here: Here, told: Story) -> dict[str, forms.Field]:
    return {
        "trays": forms.MultipleChoiceField(
            label="Which trays?", choices=_trays_of(here, told), widget=forms.CheckboxSelectMultiple
        ),
        "reason": choice("Found", [(code, text.capitalize()) for code, text in REJECT_REASONS.items()]),
        "words": words(required=False),
    }


def _contamination_fields(here: Here, told: Story) -> dict[str, forms.Field]:
    nearby = [row for row in loads.newest(here.facility.id, limit=20) if row.owner != told.load.id]
    return {
        "surfaces": words("What did it touch, or what stood near?"),
        "loads_nearby": forms.MultipleChoiceField(
            label="Loads nearby",
            required=False,
            choices=[(str(row.owner), f"{row.name}, {row.disposition}") for row in nearby],
            widget=forms.CheckboxSelectMultiple,
        ),
        "cleaned_by": words("Who cleaned it, and with what?"),
    }


def _send_fields(here: Here, told: Story) -> dict[str, forms.Field]:
    remaining = [(str(tray.id), tray.label) for tray in told.trays if tray.fate in ("", "rejected") or _sent(here)]
    return {
        "tray": choice("Which tray?", remaining),
        "way": choice("Where does it go?", [(code, text.capitalize()) for code, text in WAYS.items()]),
        "contaminated": choice("How is it tagged?", [("yes", "Contaminated"), ("no", "Not contaminated")]),
        "words": words(),
    }


def _event_among(here: Here, told: Story, events: Iterable[Recorded]) -> forms.Field:
    entries = entries_of(here.facility.id, told, list(events))
    return choice("Which event?", [(str(entry.event), entry.words) for entry in entries])


def _correct_fields(here: Here, told: Story) -> dict[str, forms.Field]:
    kinds = {str(type(event.data).__struct_config__.tag) for event in told.events}
    names = sorted({field for kind in kinds for field in CORRECTABLE.get(kind, ())})
    return {
        "event": _event_among(here, told, filter(correctable, told.events)),
        "field": choice("What was otherwise?", [(name, FIELD_WORDS[name].capitalize()) for name in names]),
        "value": Text(label="What it should say", max_length=40),
        "words": words("Why?"),
    }


def _attribution_fields(here: Here, told: Story) -> dict[str, forms.Field]:
    people = Membership.objects.filter(facility=here.facility).select_related("person").order_by("person__name")
    named = {str(one.person_id): one.person.name for one in people}
    return {
        "event": _event_among(here, told, filter(by_person, told.events)),
        "person": forms.ChoiceField(label="Who did it?", choices=list(named.items())),
        "words": words("Why does it stand in another’s name?"),
    }


def _programme_fields(here: Here, told: Story) -> dict[str, forms.Field]:
    names = [name for name in floor.programme_names(here.facility.id) if name != told.load.programme_name]
    return {"meant": forms.ChoiceField(label="Which one was meant?", choices=[(name, name) for name in names])}


DEEDS: dict[str, LoadDeed] = {
    "cleared": LoadDeed(
        "The condition is gone",
        "That says nothing about the load: the decision is still to be made.",
        "rtn",
        "Record it",
        "report_cleared",
        _open_alarms,
        lambda asks, load, given: alarms.report_cleared(asks, load=load, alarm=UUID(given["alarm"])),
        lambda told: any(alarm.cleared_at is None for alarm in told.load.alarms),
    ),
    "stopped": LoadDeed(
        "Stopped without an alarm",
        "By hand or by the emergency stop. An abort is all that may follow.",
        "hi",
        "Record the stop",
        "stop_cycle",
        lambda here, told: {"how": choice("How?", [(code, text.capitalize()) for code, text in STOPS.items()])},
        lambda asks, load, given: interruptions.stop_cycle(asks, load=load, how=given["how"]),
        _mid_cycle,
    ),
    "power": LoadDeed(
        "Power was lost",
        "Such a cycle is never complete. The load is held.",
        "hi",
        "Record it",
        "report_interruption",
        lambda here, told: {"phase": _phases(told)},
        lambda asks, load, given: interruptions.report_interruption(
            asks, load=load, what="power", phase=given["phase"]
        ),
        _mid_cycle,
    ),
    "door": LoadDeed(
        "The door was opened or forced",
        "Hot water and steam may come out. A cycle that was not at its end is broken, and the load is held.",
        "hi",
        "Record it",
        "report_interruption",
        lambda here, told: {
            "phase": _phases(told),
            "forced": choice("How?", [("no", "It opened"), ("yes", "It was forced or overridden")]),
            "out": choice("And the load?", [("no", "It is still inside"), ("yes", "It was taken out")]),
        },
        lambda asks, load, given: interruptions.report_interruption(
            asks,
            load=load,
            what="door",
            phase="" if given["phase"] == AFTER_ITS_END else given["phase"],
            forced=given["forced"] == "yes",
            load_taken_out=given["out"] == "yes",
        ),
        lambda told: door_is_told(told.load),
    ),
    "wrong-programme": LoadDeed(
        "The wrong programme",
        "The load is held until somebody named has looked.",
        "caution",
        "Record it",
        "note_wrong_programme",
        _programme_fields,
        lambda asks, load, given: interruptions.note_wrong_programme(asks, load=load, meant=given["meant"]),
        lambda told: told.load.started_at is not None,
    ),
    "reject": LoadDeed(
        "Reject trays at the unloading",
        "Wet, soiled or damaged: tray by tray. Never reach into a tray that you can’t see into: sharps.",
        "notmet",
        "Reject them",
        "reject_trays",
        _reject_fields,
        lambda asks, load, given: inspection.reject_trays(
            asks,
            load=load,
            trays=[UUID(tray) for tray in given["trays"]],
            reason=given["reason"],
            words=given["words"],
        ),
        _ended,
    ),
    "contamination": LoadDeed(
        "Record what it touched",
        "Unproven items stood on the clean side. Gloves, apron, visor until it is cleaned.",
        "caution",
        "Record it",
        "record_contamination",
        _contamination_fields,
        lambda asks, load, given: inspection.record_contamination(
            asks,
            load=load,
            surfaces=given["surfaces"],
            cleaned_by=given["cleaned_by"],
            loads_nearby=[UUID(one) for one in given["loads_nearby"]],
        ),
        lambda told: told.load.on_clean_side_at is not None and bool(told.holds),
    ),
    "send-tray": LoadDeed(
        "A tray goes another way",
        "To repair, to its owner, or discarded. What is not proven goes tagged as contaminated.",
        "arrow",
        "Record it",
        "send_tray",
        _send_fields,
        lambda asks, load, given: inspection.send_tray(
            asks,
            load=load,
            tray=UUID(given["tray"]),
            way=given["way"],
            contaminated=given["contaminated"] == "yes",
            words=given["words"],
        ),
        lambda told: not _mid_cycle(told) and any(tray.fate in ("", "rejected") for tray in told.trays),
    ),
    "note": LoadDeed(
        "Add a note",
        "It stands beside the events and changes nothing.",
        "more",
        "Add it",
        "add_note",
        lambda here, told: {"words": words()},
        lambda asks, load, given: corrections.add_note(asks, load=load, words=given["words"]),
        _always,
    ),
    "correct": LoadDeed(
        "Correct an event",
        "The old event stays as it is; the correction stands beside it. It never lifts a hold.",
        "link",
        "Correct it",
        "correct_event",
        _correct_fields,
        lambda asks, load, given: corrections.correct_event(
            asks,
            load=load,
            event=UUID(given["event"]),
            field=given["field"],
            value=given["value"],
            words=given["words"],
        ),
        lambda told: any(map(correctable, told.events)),
    ),
    "attribution": LoadDeed(
        "Somebody else did it",
        "Done in another’s session. Every authority and two-person rule is asked again.",
        "person",
        "Correct it",
        "correct_attribution",
        _attribution_fields,
        lambda asks, load, given: corrections.correct_attribution(
            asks, load=load, event=UUID(given["event"]), person=UUID(given["person"]), words=given["words"]
        ),
        lambda told: any(map(by_person, told.events)),
    ),
}


def offered(here: Here, told: Story) -> list[dict[str, str]]:
    """The deeds that make sense on this load now and that this person may do."""
    mine = here.rights
    return [
        {"name": name, "title": deed.title, "glyph": deed.glyph}
        for name, deed in DEEDS.items()
        if deed.fits(told) and authority.refusal(deed.operation, mine.roles, mine.competences) is None
    ]
