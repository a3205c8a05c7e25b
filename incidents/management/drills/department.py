"""The department that a drill acts in, made and looked at by processes of their own within its house.

`python -m incidents.management.drills.department found MACHINES` makes it and prints {slug, tokens};
`… count` reads what was acknowledged, {deed id: [position, leaf]}, and prints what became of it.
"""

from __future__ import annotations

import json
import sys
from uuid import UUID

import django

django.setup()

from django.db import connection  # noqa: E402
from django.utils import timezone  # noqa: E402

from incidents.identity.ids import new_id  # noqa: E402
from incidents.identity.models import AccessToken, Facility, Person  # noqa: E402
from incidents.ledger import guards, reading  # noqa: E402
from incidents.ledger.merkle import leaf_hash, root  # noqa: E402
from incidents.operations import founding, setting_up  # noqa: E402
from incidents.operations.deeds import Doer, Request  # noqa: E402
from incidents.projections import rebuild  # noqa: E402
from incidents.queries import floor  # noqa: E402
from incidents.rules.events import Actor  # noqa: E402
from incidents.rules.refusals import Refusal  # noqa: E402

FIRST_RUN = {
    "name": "Ada Lind",
    "login": "ada",
    "password": "a drill needs none",
    "badge": "drill",
    "pin": "0000",
    "facility": "Drill",
    "slug": "drill",
    "time_zone": "UTC",
    "machine": "Alder 0",
    "machine_code": "M-0",
    "chambers": "1",
    "programme": "Instruments",
}


def found(machines: int) -> dict[str, object]:
    person = founding.found(FIRST_RUN, new_id(), timezone.now())
    assert isinstance(person, Person), person
    facility = Facility.objects.get()
    by = Doer(Actor("person", person.id), ("administrator",))
    for n in range(1, machines):
        asked = Request(deed=new_id(), facility=facility.id, by=by, now=timezone.now())
        made = setting_up.register_machine(asked, name=f"Alder {n}", code=f"M-{n}", chambers=("1",))
        assert not isinstance(made, Refusal), made
    tokens, owners = [], []
    for each in floor.chambers(facility.id):
        _, secret = AccessToken.objects.create(user=person, facility=facility, role="device", machine=each.machine)
        tokens.append(secret)
        owners.append(str(each.machine))
    return {"slug": facility.slug, "tokens": tokens, "machines": owners}


def count(acknowledged: dict[str, list[object]]) -> dict[str, object]:
    """What stands in the ledger of all that was acknowledged, and whether the ledger is whole."""
    facility = Facility.objects.get()
    with connection.cursor() as cursor:
        cursor.execute("SELECT position, body FROM ledger_event ORDER BY position")
        rows = cursor.fetchall()
        cursor.execute("SELECT deed_id FROM ledger_deed")
        deeds = {UUID(str(deed)) for (deed,) in cursor.fetchall()}
    leaves = [leaf_hash(body.encode()) for _, body in rows]
    lost = [
        deed
        for deed, (position, leaf) in acknowledged.items()
        if UUID(deed) not in deeds
        or (leaf and (int(str(position)) >= len(leaves) or leaves[int(str(position))].hex() != leaf))
    ]
    told = (json.loads(body)["data"] for _, body in rows)
    raised = [data["code"] for data in told if data["type"] == "alarm-raised"]
    head = reading.head(facility.id)
    whole = (
        head is not None
        and [position for position, _ in rows] == list(range(head.size))
        and root(leaves) == head.root
        and not guards.flaws(connection)
        and rebuild.check(facility.id).differences == 0
    )
    return {"lost": len(lost), "duplicated": len(raised) - len(set(raised)), "events": len(rows), "whole": whole}


if __name__ == "__main__":
    asked = sys.argv[1]
    print(json.dumps(found(int(sys.argv[2])) if asked == "found" else count(json.load(sys.stdin))))
