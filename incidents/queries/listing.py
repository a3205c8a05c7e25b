"""Long lists, a page at a time: which rows, in what order, and by what they may be narrowed.

A page goes on behind the last row of the one before by that row's own values, so that what is added or moves
meanwhile neither repeats a row nor hides one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, get_args
from uuid import UUID

from django.db.models import Case, IntegerField, Q, QuerySet, Value, When
from django_filters import (
    BooleanFilter,
    CharFilter,
    ChoiceFilter,
    FilterSet,
    IsoDateTimeFilter,
    UUIDFilter,
)

from incidents.identity.models import Person
from incidents.outbox.models import STATES, Message
from incidents.projections.models import (
    AlarmRow,
    DowntimeFormRow,
    LoadRow,
    MachineRow,
    OpenItemRow,
    ProgrammeRow,
    RackRow,
    TrayRow,
)
from incidents.queries.floor import PRIORITIES, STANDING
from incidents.rules.events import Place
from incidents.rules.load_state import Stage

DISPOSITIONS = ("in process", "awaiting review", "quarantined", "released", "reprocessed")
STAGES: tuple[str, ...] = get_args(Stage)
PLACES: tuple[str, ...] = get_args(Place)
ALARM_STATES = ("unacknowledged", "acknowledged", "returned-unacknowledged", "shelved", "normal")
FORM_STATES = ("issued", "entered", "voided")


class Listing(NamedTuple):
    """`order` are columns that are never null and together name one row; a minus turns one round."""

    rows: Callable[[UUID], QuerySet[Any]]
    order: tuple[str, ...]
    narrowed: type[FilterSet]


def page(
    listing: Listing, facility: UUID, asked: dict[str, Any], after: Sequence[Any] | None, limit: int
) -> tuple[list[Any], list[Any] | None]:
    """(at most `limit` rows, the values to go on behind or None at the end). `asked` was checked before."""
    rows = listing.narrowed(asked, queryset=listing.rows(facility)).qs.order_by(*listing.order)
    if after is not None:
        rows = rows.filter(_behind(listing.order, after))
    found = list(rows[: limit + 1])
    more = len(found) > limit
    shown = found[:limit]
    return shown, [getattr(shown[-1], name.lstrip("-")) for name in listing.order] if more else None


def _behind(order: Sequence[str], after: Sequence[Any]) -> Q:
    """Rows that come later: by the first column, or even there, by the next one."""
    name, value = order[0], after[0]
    later = Q(**{f"{name.lstrip('-')}__{'lt' if name.startswith('-') else 'gt'}": value})
    if len(order) == 1:
        return later
    return later | (Q(**{name.lstrip("-"): value}) & _behind(order[1:], after[1:]))


def _choices(values: Sequence[str]) -> list[tuple[str, str]]:
    return [(value, value) for value in values]


class Loads(FilterSet):
    search = CharFilter(method="find", label="Part of a number or a name.")
    disposition = ChoiceFilter(choices=_choices(DISPOSITIONS))
    under_recall = BooleanFilter()
    stage = ChoiceFilter(choices=_choices(STAGES))
    place = ChoiceFilter(choices=_choices(PLACES))
    machine = UUIDFilter()
    programme = CharFilter(label="The programme’s whole name.")
    assembled_since = IsoDateTimeFilter(field_name="assembled_at", lookup_expr="gte")
    assembled_before = IsoDateTimeFilter(field_name="assembled_at", lookup_expr="lt")

    def find(self, rows: QuerySet[LoadRow], name: str, wanted: str) -> QuerySet[LoadRow]:
        return rows.filter(Q(name__icontains=wanted) | Q(number__icontains=wanted))


class OpenItems(FilterSet):
    kind = CharFilter(label="As it stands in an open item.")
    priority = ChoiceFilter(choices=_choices(tuple(PRIORITIES)))
    owner = UUIDFilter(label="The load or the machine that it is about.")


class Alarms(FilterSet):
    state = ChoiceFilter(choices=_choices(ALARM_STATES), label="By IEC 62682.")
    priority = ChoiceFilter(choices=_choices(tuple(PRIORITIES)))
    code = CharFilter()
    owner = UUIDFilter(label="The load, or the machine that alarmed without one.")
    raised_since = IsoDateTimeFilter(field_name="raised_at", lookup_expr="gte")
    raised_before = IsoDateTimeFilter(field_name="raised_at", lookup_expr="lt")


class Machines(FilterSet):
    code = CharFilter(label="The code on the machine.")


class Racks(FilterSet):
    code = CharFilter(label="The code on the rack.")
    blocked = BooleanFilter()


class Programmes(FilterSet):
    name = CharFilter()


class Trays(FilterSet):
    label = CharFilter(lookup_expr="iexact", label="The tray’s whole label.")
    set = UUIDFilter(field_name="owner", label="The set that it belongs to.")


class Sets(FilterSet):
    name = CharFilter(field_name="set_name")
    loaner = BooleanFilter()


class Forms(FilterSet):
    state = ChoiceFilter(choices=_choices(FORM_STATES))


class Messages(FilterSet):
    state = ChoiceFilter(choices=_choices(STATES))
    about_id = UUIDFilter(label="The stream that it is about.")


class Unnarrowed(FilterSet):
    """Nothing narrows it."""


def _all(model: Any, **which: Any) -> Callable[[UUID], QuerySet[Any]]:
    return lambda facility: model.objects.filter(facility_id=facility, **which)


def _standing(model: Any) -> Callable[[UUID], QuerySet[Any]]:
    return _all(model, **STANDING)


def _ranked(facility: UUID) -> QuerySet[Any]:
    """Open items, the worst first."""
    ranks = [When(priority=name, then=Value(rank)) for name, rank in PRIORITIES.items()]
    rows = OpenItemRow.objects.filter(facility_id=facility, **STANDING)
    return rows.annotate(rank=Case(*ranks, output_field=IntegerField()))


def people_of(facility: UUID) -> QuerySet[Any]:
    return Person.objects.filter(membership__facility=facility).distinct()


LOADS = Listing(_all(LoadRow), ("-year", "-ordinal", "owner"), Loads)
OPEN_ITEMS = Listing(_ranked, ("rank", "since", "owner", "item"), OpenItems)
ALARMS = Listing(_standing(AlarmRow), ("-raised_at", "owner", "alarm"), Alarms)
MACHINES = Listing(_standing(MachineRow), ("name", "owner"), Machines)
RACKS = Listing(_standing(RackRow), ("name", "owner"), Racks)
PROGRAMMES = Listing(_standing(ProgrammeRow), ("name", "owner"), Programmes)
TRAYS = Listing(_all(TrayRow), ("set_name", "owner", "place_in_set"), Trays)
SETS = Listing(_all(TrayRow, place_in_set=1), ("set_name", "owner"), Sets)
FORMS = Listing(_standing(DowntimeFormRow), ("-number",), Forms)
MESSAGES = Listing(_all(Message), ("-queued_at", "id"), Messages)
PEOPLE = Listing(people_of, ("name", "id"), Unnarrowed)
