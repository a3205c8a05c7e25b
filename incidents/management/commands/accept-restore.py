"""`manage.py accept-restore`: somebody takes a restored backup for the log, by name and with a reason."""

from argparse import ArgumentParser
from typing import Any, NoReturn
from uuid import UUID

from django.core.management.base import BaseCommand
from django.utils import timezone

from incidents.identity.ids import named
from incidents.identity.models import Facility, Person
from incidents.identity.rights import rights_on
from incidents.ledger import witness
from incidents.ledger.witness import Doubt
from incidents.operations.deeds import Doer, Request
from incidents.operations.restoring import accept_restore
from incidents.rules.events import Actor
from incidents.rules.refusals import Refusal


class Command(BaseCommand):
    help = (
        "A start refuses a log that is shorter than the one the witness noted, or another one. Look for what was"
        " lost first. This accepts the log as it stands: the acceptance is an event, every load that is not"
        " released is held, and Now asks for what was lost until somebody settles it."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--facility", required=True, help="its slug, or its id where its log is gone")
        parser.add_argument("--by", required=True, help="sign-in name of an administrator of that facility")
        parser.add_argument("--reason", required=True, help="why the backup was restored")

    def handle(self, *args: Any, facility: str, by: str, reason: str, **options: Any) -> None:
        doubts = {doubt.facility: doubt for doubt in witness.doubts()}
        found = Facility.objects.filter(slug=facility).first()
        doubt = doubts.get(found.id if found else _uuid(facility))
        if doubt is None:
            self._leave("Nothing is to be accepted: no log in doubt has that name.", doubts)
        elif found is None:
            witness.forget(doubt.facility)
            self.stdout.write(f"The note of facility {doubt.facility} was dropped: {doubt.sentence}")
        else:
            self._accept(found, doubt, by, reason)

    def _accept(self, facility: Facility, doubt: Doubt, by: str, reason: str) -> None:
        now = timezone.now()
        person = Person.objects.filter(login=by).first()
        if person is None:
            self._leave(f"Nobody signs in as “{by}”.", {})
        held = rights_on(person.id, facility.id, now)
        # Named by what was noted, so that a command which was cut short may be given again.
        asked = Request(
            deed=named(facility.id, f"accept-restore {doubt.noted.size} {doubt.noted.root}"),
            facility=facility.id,
            by=Doer(Actor("person", person.id), held.roles, held.competences),
            now=now,
        )
        outcome = accept_restore(asked, noted_size=doubt.noted.size, noted_root=doubt.noted.root, words=reason)
        if isinstance(outcome, Refusal):
            self._leave(f"{outcome.sentence} {outcome.next_step}", {})
        witness.forget(facility.id)
        witness.note()
        holds = outcome.count - 1
        self.stdout.write(
            f"Accepted at position {outcome.first_position}: {doubt.sentence} {holds} loads are held for a look."
        )

    def _leave(self, sentence: str, doubts: dict[UUID, Doubt]) -> NoReturn:
        lines = [sentence, *(f"In doubt: facility {each}: {doubt.sentence}" for each, doubt in doubts.items())]
        self.stderr.write("\n".join(lines))
        raise SystemExit(2)


def _uuid(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        return UUID(int=0)
