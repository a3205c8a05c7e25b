"""What somebody typed into a form and did not send: kept for its author alone, and not for long.

It is no record. It never goes into the ledger, nobody else is ever shown it, and it is gone after a day.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from uuid import UUID

import msgspec

from incidents.identity.models import Draft

KEPT_FOR = timedelta(hours=24)
MOST = 20  # of one person in one facility; the oldest goes
LONGEST = 20_000  # characters, as kept
NEVER_KEPT = ("badge", "pin", "password", "csrfmiddlewaretoken", "deed", "version", "leaf", "draft")

Fields = dict[str, list[str]]


def fields_of(text: str) -> Fields | None:
    """What a page sends, without what proves a person; None where it can't be read or is too long."""
    if len(text) > LONGEST:
        return None
    try:
        said = msgspec.json.decode(text, type=dict[str, list[str]])
    except (msgspec.DecodeError, msgspec.ValidationError, UnicodeEncodeError):
        return None
    return {name: values for name, values in said.items() if name.removesuffix("-2") not in NEVER_KEPT and values}


def keep(
    person: UUID,
    facility: UUID,
    *,
    form: str,
    page: str,
    title: str,
    fields: Mapping[str, list[str]],
    now: datetime,
) -> None:
    """Keep what stands in a form, in the place of what was kept of it before; nothing in it: forget it."""
    drop_expired(now)
    if not fields:
        drop(person, facility, form)
        return
    Draft.objects.update_or_create(
        person_id=person,
        facility_id=facility,
        form=form,
        defaults={
            "page": page,
            "title": title,
            "body": msgspec.json.encode(dict(fields)).decode(),
            "kept_at": now,
            "expires_at": now + KEPT_FOR,
        },
    )
    mine = Draft.objects.filter(person_id=person, facility_id=facility).order_by("-kept_at", "-id")
    Draft.objects.filter(id__in=[draft.id for draft in mine[MOST:]]).delete()


def kept_by(person: UUID, facility: UUID, now: datetime, page: str = "") -> list[Draft]:
    """A person's own drafts here, the newest first; of one page, where it is given."""
    mine = Draft.objects.filter(person_id=person, facility_id=facility, expires_at__gt=now)
    return list((mine.filter(page=page) if page else mine).order_by("-kept_at"))


def drop(person: UUID, facility: UUID, form: str) -> None:
    Draft.objects.filter(person_id=person, facility_id=facility, form=form).delete()


def drop_expired(now: datetime) -> None:
    Draft.objects.filter(expires_at__lte=now).delete()
