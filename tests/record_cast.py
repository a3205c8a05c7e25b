"""A department that goes by computed evidence: its programme has limits, and cycles have records of readings."""

from __future__ import annotations

import io
from typing import Any
from uuid import UUID

from incidents.operations import readings, setting_up
from incidents.operations.deeds import Outcome
from incidents.rules.load_state import KeptRecord
from tests.cast import (
    Department,
    done,
    given_finished_load,
    load_now,
    open_department,
    publish_programme,
    request,
)
from tests.recorded import Spoiling, Table, as_csv, good
from tests.test_judge import LIMITS, RECIPE

SOURCE = "Local rule R-7 (invented)"


def computing_department(**more: Any) -> Department:
    """Its programme “Instruments” has limits; evidence is computed from here on."""
    department = open_department(**more)
    publish_programme(department, **RECIPE, limits=LIMITS)
    done(setting_up.set_basis(request(department, "Ada"), basis="computed", source=SOURCE))
    return department


def keep(department: Department, load: UUID, file: bytes, who: str = "Ines", **more: Any) -> Outcome:
    return readings.keep(request(department, who, **more), load=load, file=io.BytesIO(file))


def given_recorded_load(department: Department, *spoilings: Spoiling, **more: Any) -> UUID:
    """A finished load with a record: a good one, spoilt as the test says."""
    load = given_finished_load(department, **more)
    done(keep(department, load, as_csv(spoilt(*spoilings))))
    return load


def spoilt(*spoilings: Spoiling) -> Table:
    table = good()
    for each in spoilings:
        table = each(table)
    return table


def record_of(department: Department, load: UUID) -> KeptRecord:
    return load_now(department, load).records[-1]
