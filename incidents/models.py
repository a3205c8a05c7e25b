"""Where Django looks for models; each lives on its own floor."""

from incidents.figures.models import Heartbeat
from incidents.identity.models import AccessToken, Competence, Facility, Membership, Person, Signing
from incidents.ledger.models import Blob, Bookmark, Deed, Event, Head, Words
from incidents.projections.models import (
    AlarmRow,
    CatalogueRow,
    ContentRow,
    FacilityRow,
    LoadRow,
    MachineRow,
    OpenItemRow,
    PassageRow,
    ProgrammeRow,
    TrayRow,
)

__all__ = [
    "AccessToken",
    "AlarmRow",
    "Blob",
    "Bookmark",
    "CatalogueRow",
    "Competence",
    "ContentRow",
    "Deed",
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
    "ProgrammeRow",
    "Signing",
    "TrayRow",
    "Words",
]
