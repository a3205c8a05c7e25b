"""Where Django looks for models; each lives on its own floor."""

from incidents.figures.models import Heartbeat
from incidents.identity.models import AccessToken, Competence, Facility, Membership, Person, Signing
from incidents.ledger.models import Blob, Bookmark, Deed, Event, Head, Words
from incidents.projections.models import (
    AlarmRow,
    CatalogueDraftRow,
    CatalogueRow,
    ContentRow,
    CounterRow,
    DowntimeFormRow,
    FacilityRow,
    LoadRow,
    MachineRow,
    OpenItemRow,
    PassageRow,
    PolicyRow,
    ProgrammeRow,
    RackRow,
    TrayRow,
)

__all__ = [
    "AccessToken",
    "AlarmRow",
    "Blob",
    "Bookmark",
    "CatalogueDraftRow",
    "CatalogueRow",
    "Competence",
    "ContentRow",
    "CounterRow",
    "Deed",
    "DowntimeFormRow",
    "Event",
    "Facility",
    "FacilityRow",
    "Head",
    "Heartbeat",
    "LoadRow",
    "MachineRow",
    "Membership",
    "OpenItemRow",
    "PassageRow",
    "Person",
    "PolicyRow",
    "ProgrammeRow",
    "RackRow",
    "Signing",
    "TrayRow",
    "Words",
]
