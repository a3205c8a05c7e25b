"""Where Django looks for models; each lives on its own floor."""

from incidents.identity.models import AccessToken, Competence, Facility, Membership, Person, Signing
from incidents.ledger.models import Blob, Bookmark, Deed, Event, Head, Words

__all__ = [
    "AccessToken",
    "Blob",
    "Bookmark",
    "Competence",
    "Deed",
    "Event",
    "Facility",
    "Head",
    "Membership",
    "Person",
    "Signing",
    "Words",
]
