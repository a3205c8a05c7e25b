"""Signing over the API: badge and PIN as on the screen, for one deed on what was seen, once, within 60 s."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any
from uuid import UUID

import msgspec
from django.http import HttpResponse
from msgspec import Meta
from rest_framework.request import Request as ApiRequest

from incidents.api.door import Act, Caller
from incidents.api.members import Text
from incidents.api.problems import problem
from incidents.identity.proving import LONGEST_BADGE, LONGEST_PIN, by_badge
from incidents.identity.rights import day_of, rights
from incidents.identity.signing import sign
from incidents.queries import care, rounds
from incidents.queries.story import story
from incidents.rules import handover, meanings
from incidents.rules.events import Purpose, SeenLoad
from incidents.rules.meanings import NOT_SIGNED
from incidents.rules.refusals import Refusal

LOAD_UNKNOWN = Refusal("load-unknown", "There is no such load here.", "Scan its tag or search for it.")


class Seen(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A load exactly as its signer saw it: `version` and `leaf` as a load is told."""

    load: UUID
    version: Annotated[int, Meta(ge=1, le=2**31 - 1)]
    leaf: Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]


class Factors(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """For which deed, and who signs: all factors each time."""

    deed_id: UUID
    badge: Annotated[str, Meta(min_length=1, max_length=LONGEST_BADGE)]
    pin: Annotated[str, Meta(min_length=1, max_length=LONGEST_PIN)]


class ReleaseSigning(Factors, frozen=True, kw_only=True, tag_field="operation", tag="release_load"):
    """For `release_load`."""

    seen: Seen
    purpose: Purpose


class RoundSigning(Factors, frozen=True, kw_only=True, tag_field="operation", tag="release_round"):
    """For `release_round`: one signature over a list, each load bound as it was seen."""

    seen: Annotated[tuple[Seen, ...], Meta(min_length=1, max_length=200)]
    purpose: Purpose


class OfHold(Factors, frozen=True, kw_only=True):
    """`hold` is the hold’s key."""

    seen: Seen
    hold: Text


class LiftSigning(OfHold, frozen=True, kw_only=True, tag_field="operation", tag="lift_hold"):
    """For `lift_hold`; `hold` is the hold’s key."""


class FirstSigning(OfHold, frozen=True, kw_only=True, tag_field="operation", tag="sign_lift"):
    """For `sign_lift`: the first of two, the second may come later."""


class SecondSigning(OfHold, frozen=True, kw_only=True, tag_field="operation", tag="second_lift"):
    """For `second_lift`: the second of two, which lifts the hold."""


class WithdrawalSigning(Factors, frozen=True, kw_only=True, tag_field="operation", tag="withdraw_record"):
    """For `withdraw_record`; `record` is the event that kept it. Each of the two signs."""

    seen: Seen
    record: UUID


class HandOverSigning(Factors, frozen=True, kw_only=True, tag_field="operation", tag="hand_over_shift"):
    """For `hand_over_shift`: each of the two, on the list as `handover/` tells it."""

    digest: Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]


class Ready(msgspec.Struct, frozen=True):
    """A signature to be named in the deed’s `signings`; `meaning` is what was signed."""

    signing: UUID
    meaning: str
    good_until: datetime


_TAKES = (
    ReleaseSigning | RoundSigning | LiftSigning | FirstSigning | SecondSigning | WithdrawalSigning | HandOverSigning
)


class Signings(Act):
    """Sign for one deed: verified now, good for 60 s, used up by the deed. The meaning is made here."""

    tag, operation_id, summary = "deeds", "sign", "Sign"
    takes, gives = _TAKES, Ready

    def post(self, request: ApiRequest, slug: str, **path: Any) -> HttpResponse:
        answer = super().post(request, slug, **path)
        if getattr(request._request, "axes_locked_out", False):
            request._request.axes_locked_out = False  # type: ignore[attr-defined]  # its page is not for programs
            return problem(
                429, "locked-out", "Too many wrong PINs.", "Wait a quarter of an hour.", **{"Retry-After": "900"}
            )
        return answer

    def act(self, caller: Caller, given: Any, **path: Any) -> Ready | Refusal:
        meaning = _meaning(caller.facility.id, given)
        if isinstance(meaning, Refusal):
            return meaning
        person = by_badge(caller.request, given.badge, given.pin)
        today = day_of(caller.now, caller.facility.time_zone)
        if person is None or not rights(person.id, caller.facility.id, today).roles:
            return NOT_SIGNED
        if isinstance(given, HandOverSigning):
            seen = [SeenLoad(caller.facility.id, 0, given.digest)]
        else:
            seen = [SeenLoad(each.load, each.version, each.leaf) for each in _seen(given)]
        made = sign(person, caller.facility.id, given.deed_id, meaning, seen, caller.now)
        return Ready(made.id, meaning, made.good_until)


def _seen(given: Any) -> Sequence[Seen]:
    return given.seen if isinstance(given, RoundSigning) else (given.seen,)


def _meaning(facility: UUID, given: Any) -> str | Refusal:
    if isinstance(given, RoundSigning):
        return meanings.of_round(rounds.names_of(facility, [each.load for each in given.seen]), given.purpose)
    if isinstance(given, HandOverSigning):
        return handover.meaning(len(care.open_items(facility)), given.digest)
    told = story(facility, given.seen.load)
    if told is None:
        return LOAD_UNKNOWN
    if isinstance(given, ReleaseSigning):
        return meanings.of_release(told.load.name, given.purpose, told.going)
    if isinstance(given, WithdrawalSigning):
        return meanings.of_withdrawal(told.load.name, f"{given.record}")
    hold = next((board.sentence for board in told.holds if board.key == given.hold), given.hold)
    return meanings.of_lift(str(given.__struct_config__.tag), told.load.name, hold)
