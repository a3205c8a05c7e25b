"""How the read models are stored: one entry a table, so that live writing and rebuilding share one code.

A row is named by its owner (the stream it is folded from) and its key; a temporal table keeps every value
that a row ever had, with the positions between which it was known.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from django.db import models

from incidents.projections.models import (
    AlarmRow,
    CareRow,
    CatalogueDraftRow,
    CatalogueRow,
    ClimbRow,
    ContentRow,
    CounterRow,
    DowntimeFormRow,
    FacilityRow,
    HeardRow,
    IncidentRow,
    LoadRow,
    MachineRow,
    OpenItemRow,
    PassageRow,
    PastAlarmRow,
    PastLoadRow,
    PastRepairRow,
    PolicyRow,
    ProgrammeRow,
    RackRow,
    RecordFormRow,
    RecordRow,
    TrayRow,
)

Key = tuple[Any, ...]
Values = tuple[Any, ...]


class Table(NamedTuple):
    """`key` and `values` are column names besides facility, owner and, where temporal, the two positions."""

    name: str
    key: tuple[str, ...]
    values: tuple[str, ...]
    temporal: bool

    @property
    def columns(self) -> tuple[str, ...]:
        known = ("known_from", "known_to") if self.temporal else ()
        return ("facility_id", "owner", *self.key, *known, *self.values)

    @property
    def naming(self) -> tuple[str, ...]:
        """The columns that name a row, its facility first."""
        return ("facility_id", "owner", *self.key, *(("known_from",) if self.temporal else ()))

    def named(self, row: tuple[Any, ...]) -> tuple[Any, ...]:
        """What names a row, given without its facility."""
        return row[: 1 + len(self.key) + self.temporal]


Rows = dict[Table, Mapping[Key, Values]]


def _table(model: type[models.Model], *key: str, aside: str = "") -> Table:
    """`aside` is a column that no event says: it is empty in every new row."""
    columns = [str(field.column) for field in model._meta.concrete_fields if field.column != aside]
    temporal = "known_from" in columns
    named = {"facility_id", "owner", "known_from", "known_to", *key}
    values = tuple(column for column in columns if column not in named)
    return Table(model._meta.db_table, key, values, temporal)


FACILITY = _table(FacilityRow)
MACHINE = _table(MachineRow)
COUNTER = _table(CounterRow, "machine_cycle")
RACK = _table(RackRow)
POLICY = _table(PolicyRow)
DOWNTIME_FORM = _table(DowntimeFormRow, "number")
PROGRAMME = _table(ProgrammeRow)
CATALOGUE = _table(CatalogueRow)
CATALOGUE_DRAFT = _table(CatalogueDraftRow)
TRAY = _table(TrayRow, "tray")
LOAD = _table(LoadRow)
RECORD_FORM = _table(RecordFormRow)
RECORD = _table(RecordRow, "content")
CONTENT = _table(ContentRow, "tray")
PASSAGE = _table(PassageRow)
ALARM = _table(AlarmRow, "alarm")
PAST_LOAD = _table(PastLoadRow)
PAST_ALARM = _table(PastAlarmRow)
PAST_REPAIR = _table(PastRepairRow)
CARE = _table(CareRow)
OPEN_ITEM = _table(OpenItemRow, "item", aside="next_due_at")
INCIDENT = _table(IncidentRow, "alarm")
CLIMB = _table(ClimbRow, "ladder", "rung")
HEARD = _table(HeardRow, "device")
TABLES = (
    FACILITY,
    POLICY,
    DOWNTIME_FORM,
    MACHINE,
    COUNTER,
    RACK,
    PROGRAMME,
    CATALOGUE,
    CATALOGUE_DRAFT,
    TRAY,
    LOAD,
    RECORD,
    RECORD_FORM,
    CONTENT,
    PASSAGE,
    ALARM,
    OPEN_ITEM,
    CARE,
    INCIDENT,
    CLIMB,
    HEARD,
    PAST_LOAD,
    PAST_ALARM,
    PAST_REPAIR,
)
