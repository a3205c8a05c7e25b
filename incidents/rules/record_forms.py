"""How a machine's own exports are read: which column is which signal, and what relates a probe to the load."""

from __future__ import annotations

import re
from collections.abc import Sequence

from incidents.rules.events import ColumnMeaning, ProbeReport, RecordFormSet
from incidents.rules.refusals import Refusal

COLUMNS_MOST, HEADER_MOST, TEXT_MOST = 64, 50, 200
_SIGNAL = re.compile(r"time|time_s|phase|door|[a-z][A-Za-z0-9_]{0,40}_(degC|degF|K|uS_cm|ml|bar|mbar|rpm|s)")
_PROBE = re.compile(r"(probe_[a-z0-9_]{1,30}|control|independent)")


def set_form(
    columns: Sequence[ColumnMeaning], header_line: int, probes: Sequence[ProbeReport]
) -> RecordFormSet | Refusal:
    """The form as it is kept, or why it can't be."""
    flaw = _flaw(columns, header_line, probes)
    if flaw:
        return Refusal("record-form", f"The form can’t be kept: {flaw}.", "Correct it: see docs/records.md.")
    return RecordFormSet(columns=tuple(columns), header_line=header_line, probes=tuple(probes))


def _flaw(columns: Sequence[ColumnMeaning], header_line: int, probes: Sequence[ProbeReport]) -> str:
    if len(columns) > COLUMNS_MOST or len(probes) > COLUMNS_MOST:
        return f"it names more than {COLUMNS_MOST} columns"
    if not 1 <= header_line <= HEADER_MOST:
        return f"the line of the names must be 1 to {HEADER_MOST}"
    for named in ([each.column for each in columns], [each.signal for each in columns]):
        twice = next((name for name in named if named.count(name) > 1), "")
        if twice:
            return f"“{twice[:40]}” stands twice"
    for each in columns:
        if not 0 < len(each.column.strip()) <= TEXT_MOST:
            return f"a column’s name needs 1 to {TEXT_MOST} characters"
        if not _SIGNAL.fullmatch(each.signal):
            return f"“{each.signal[:40]}” is no signal with its unit"
    signals = [each.signal for each in probes]
    for probe in probes:
        if not _PROBE.fullmatch(probe.signal) or signals.count(probe.signal) > 1:
            return f"“{probe.signal[:40]}” is no probe, or stands twice"
        if not 0 < len(probe.report.strip()) <= TEXT_MOST:
            return f"the report of {probe.signal} needs 1 to {TEXT_MOST} characters"
    return ""
