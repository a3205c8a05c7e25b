"""What a person may, on which day: a competence runs by the facility's own calendar, not by UTC's."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pytest

from incidents.identity.models import Competence
from incidents.identity.rights import day_of, rights_on
from tests import cast, visitors
from tests.cast import Department

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("zone", "hour", "day"),
    [
        ("Pacific/Auckland", 10, 2),  # 23:00 there: UTC + 13 h in March
        ("Pacific/Auckland", 11, 3),
        ("America/New_York", 4, 1),  # 23:00 there: UTC - 5 h
        ("America/New_York", 5, 2),
        ("UTC", 23, 2),
    ],
)
def test_a_day_begins_at_the_facilitys_own_midnight(zone: str, hour: int, day: int) -> None:
    """Offsets from the IANA time zone database, worked out by hand."""
    assert day_of(datetime(2026, 3, 2, hour, tzinfo=UTC), zone) == date(2026, 3, day)


@pytest.mark.parametrize("moment", [datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)])
def test_the_ends_of_the_calendar_have_a_day_too(moment: datetime) -> None:
    for zone in ("Pacific/Kiritimati", "America/New_York"):
        assert day_of(moment, zone) == moment.date()


def until(department: Department, day: date, zone: str) -> None:
    department.facility.time_zone = zone
    department.facility.save()
    Competence.objects.filter(facility=department.facility).update(valid_until=day)


def test_a_competence_ends_with_its_last_day_there() -> None:
    spd = cast.open_department()
    until(spd, date(2026, 3, 2), "Pacific/Auckland")
    ines = spd.people["Ines"].id
    assert rights_on(ines, spd.id, datetime(2026, 3, 2, 10, 59, tzinfo=UTC)).competences == ("release",)
    assert rights_on(ines, spd.id, datetime(2026, 3, 2, 11, 0, tzinfo=UTC)).competences == ()


def test_a_release_at_the_screen_goes_by_it(monkeypatch: pytest.MonkeyPatch, settings: Any) -> None:
    """It is evening in UTC, and tomorrow already in Auckland."""
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    eastmere = visitors.department_with_doors(monkeypatch, slug="eastmere")
    ines = visitors.visitor(eastmere, "Ines")
    errand = visitors.ERRANDS["release"](eastmere, "Ines")
    eastmere.now = eastmere.now.replace(hour=20)
    until(eastmere, eastmere.now.date(), "Pacific/Auckland")
    assert ines.post(errand.url, errand.fields).status_code == 409
    until(eastmere, eastmere.now.date(), "America/New_York")
    assert ines.post(errand.url, errand.fields).status_code == 302
