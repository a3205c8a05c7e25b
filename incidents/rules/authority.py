"""Roles, competences, and which deed each may do. One table, read by operations, pages and tests.

Source: common practice of sterile processing departments; a facility's own policy may be stricter.
"""

from __future__ import annotations

from collections.abc import Collection

import msgspec

from incidents.rules.refusals import Refusal

ROLES = (
    "technician",
    "supervisor",
    "infection-prevention",
    "engineering",
    "quality",
    "administrator",
    "device",
)
PEOPLES_ROLES = tuple(role for role in ROLES if role != "device")
COMPETENCES = ("release", "override")

_FLOOR = frozenset({"technician", "supervisor"})
_FLOOR_AND_ENGINEERING = _FLOOR | {"engineering"}
_PEOPLE = frozenset(ROLES) - {"device"}
_SET_UP = frozenset({"administrator"})
_CATALOGUE = frozenset({"administrator", "engineering", "supervisor"})
_CALENDAR = frozenset({"administrator", "supervisor"})


class Permission(msgspec.Struct, frozen=True):
    """Any of these roles, and, where named, a current competence beside it."""

    roles: frozenset[str]
    competence: str | None = None


DEEDS: dict[str, Permission] = {
    "assemble_load": Permission(_FLOOR),
    "start_cycle": Permission(_FLOOR),
    "report_alarm": Permission(_PEOPLE),
    "acknowledge_alarm": Permission(_FLOOR_AND_ENGINEERING | {"infection-prevention"}),
    "hand_over_shift": Permission(_PEOPLE),
    "take_item": Permission(_PEOPLE),
    "hand_on_item": Permission(_PEOPLE),
    "take_incident": Permission(_PEOPLE),
    "tell_incident": Permission(_FLOOR_AND_ENGINEERING | {"infection-prevention", "quality"}),
    "shelve_alarm": Permission(frozenset({"supervisor", "engineering"})),
    "unshelve_alarm": Permission(_FLOOR_AND_ENGINEERING),
    "note_unshelved": Permission(frozenset()),
    "resume_cycle": Permission(_FLOOR),
    "abort_cycle": Permission(_FLOOR_AND_ENGINEERING),
    "report_end": Permission(_FLOOR_AND_ENGINEERING),
    "place_load": Permission(_FLOOR | {"infection-prevention"}),
    "rerun_load": Permission(_FLOOR),
    "review_load": Permission(_FLOOR | {"quality"}),
    "keep_readings": Permission(_FLOOR_AND_ENGINEERING | {"quality", "infection-prevention", "device"}),
    "withdraw_record": Permission(frozenset({"supervisor", "infection-prevention"})),
    "review_readings": Permission(_FLOOR | {"quality"}),
    "hold_load": Permission(_PEOPLE),
    "lift_hold": Permission(frozenset({"supervisor", "infection-prevention"})),
    "sign_lift": Permission(frozenset({"supervisor", "infection-prevention"})),
    "second_lift": Permission(frozenset({"supervisor", "infection-prevention"})),
    "withdraw_lift": Permission(frozenset({"supervisor", "infection-prevention"})),
    "release_load": Permission(_PEOPLE, competence="release"),
    "report_cleared": Permission(_FLOOR_AND_ENGINEERING),
    "stop_cycle": Permission(_PEOPLE),
    "report_interruption": Permission(_PEOPLE),
    "note_wrong_programme": Permission(_PEOPLE),
    "reject_trays": Permission(_FLOOR | {"infection-prevention"}),
    "record_contamination": Permission(_FLOOR | {"infection-prevention"}),
    "send_tray": Permission(_FLOOR),
    "add_note": Permission(_PEOPLE),
    "correct_event": Permission(_FLOOR | {"quality", "infection-prevention", "engineering"}),
    "correct_attribution": Permission(frozenset({"supervisor", "quality", "administrator"})),
    "correct_catalogue_attribution": Permission(frozenset({"supervisor", "quality", "administrator"})),
    "correct_programme_attribution": Permission(frozenset({"supervisor", "quality", "administrator"})),
    "block_machine": Permission(_FLOOR_AND_ENGINEERING | {"infection-prevention"}),
    "return_machine": Permission(frozenset({"engineering", "supervisor"})),
    "set_record_form": Permission(frozenset({"administrator", "engineering", "supervisor"})),
    "change_supply": Permission(_FLOOR_AND_ENGINEERING),
    "explain_cycle": Permission(frozenset({"supervisor", "engineering", "quality"})),
    "explain_missing": Permission(frozenset({"supervisor", "engineering", "quality"})),
    "record_exposure": Permission(_PEOPLE),
    "take_on_exposure": Permission(frozenset({"supervisor", "infection-prevention", "quality"})),
    "block_rack": Permission(_FLOOR_AND_ENGINEERING),
    "return_rack": Permission(frozenset({"supervisor", "engineering"})),
    "issue_forms": Permission(frozenset({"supervisor", "administrator"})),
    "enter_form": Permission(_FLOOR),
    "void_form": Permission(frozenset({"supervisor"})),
    "register_rack": Permission(_SET_UP),
    "set_policy": Permission(_SET_UP),
    "set_basis": Permission(_SET_UP),
    "import_load": Permission(_SET_UP),
    "import_alarm": Permission(_SET_UP),
    "import_repair": Permission(_SET_UP),
    "release_round": Permission(_PEOPLE, competence="release"),
    "observe": Permission(frozenset({"device"})),
    "note_overdue": Permission(frozenset()),
    "note_silence": Permission(frozenset()),
    "note_undelivered": Permission(frozenset()),
    "set_contact": Permission(_PEOPLE),
    "set_shared_contact": Permission(_SET_UP),
    "test_contact": Permission(_PEOPLE),
    "send_again": Permission(_PEOPLE),
    "settle_message": Permission(_PEOPLE),
    "escalate": Permission(frozenset()),
    "open_facility": Permission(_SET_UP),
    "accept_restore": Permission(_SET_UP),
    "settle_restore": Permission(frozenset({"supervisor", "infection-prevention", "quality", "administrator"})),
    "register_machine": Permission(_SET_UP),
    "limit_machine": Permission(_SET_UP),
    "publish_programme": Permission(_SET_UP),
    "draft_programme": Permission(_CATALOGUE),
    "approve_programme": Permission(_CATALOGUE),
    "withdraw_programme": Permission(_CATALOGUE),
    "publish_catalogue": Permission(_SET_UP),
    "draft_catalogue": Permission(_CATALOGUE),
    "publish_draft": Permission(_CATALOGUE),
    "adopt_escalation": Permission(_SET_UP),
    "draft_escalation": Permission(_CATALOGUE),
    "approve_escalation": Permission(_CATALOGUE),
    "set_calendar": Permission(_CALENDAR),
    "swap_turn": Permission(_CALENDAR),
    "register_set": Permission(_SET_UP),
    "add_person": Permission(_SET_UP),
    "set_rights": Permission(_SET_UP),
}


# These deeds answer for one machine among several: whoever does them has read its code a moment ago.
AT_THE_MACHINE = frozenset({"acknowledge_alarm", "resume_cycle", "abort_cycle"})

# What a workstation is for is no deed of the log: a board for everyone, or bound to the machine it stands at.
SETS_WORKSTATIONS = frozenset({"supervisor", "administrator"})

# The tokens of others are no deeds of the log either.
ADMINISTERS = frozenset({"administrator"})


def administers(roles: Collection[str]) -> bool:
    return bool(ADMINISTERS & set(roles))


def sets_workstations(roles: Collection[str]) -> bool:
    return bool(SETS_WORKSTATIONS & set(roles))


def refusal(deed: str, roles: Collection[str], competences: Collection[str]) -> Refusal | None:
    """Why someone with these roles and current competences may not do this deed, or None."""
    permission = DEEDS[deed]
    if not permission.roles & set(roles):
        allowed = " or ".join(sorted(role.replace("-", " ") for role in permission.roles))
        return Refusal("role", f"This needs the role {allowed or 'of the system'}.", "Ask someone who has it.")
    if permission.competence is not None and permission.competence not in competences:
        return Refusal(
            "competence",
            f"This needs a current {permission.competence} competence.",
            "Ask someone who has it, or have yours renewed in Set-up.",
        )
    return None
