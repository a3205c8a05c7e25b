"""A cycle's record as a picture: phases, the band, each probe by dash and mark, alarms, gaps, and A0 as it gathers.

SVG text with classes and presentation attributes only, in `currentColor`: readable in black on white, in print and
without colour. One unit a pane; A0 begins at nought; gaps stay gaps. Beside it stands a table (`Picture.rows`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from incidents.analysis import course, probes
from incidents.analysis.criteria import DISINFECTION, Criteria, Lethality
from incidents.analysis.findings import told
from incidents.analysis.lethality import A0_FLOOR_C, A0_REFERENCE_C, MAX_GAP_S, Z_K, Floats, integral
from incidents.analysis.phases import Piece, longest_piece
from incidents.analysis.readings import Record

WIDTH, HEIGHT = 960, 614
LEFT, RIGHT = 58, 178
PHASES_AT, UPPER, LOWER = 26, (64, 356), (410, 548)  # where the phases, the temperatures and A0 stand, in y
DASHES = ("", "9 4", "2 3", "10 3 2 3", "5 2 1 2 1 2", "14 5", "1 4", "7 2 7 6")
MARKS = ("circle", "square", "up", "diamond", "down", "cross", "plus", "bar")
COLUMNS = 1_200  # of pixels a line is drawn in: of more readings the lowest and the highest of each
SEEN_PHASES = 24  # pieces that a bar has room for


class Alarm(NamedTuple):
    """An alarm at a second of the record, in words."""

    at_s: float
    words: str


class PhaseRow(NamedTuple):
    """A line of the table beside the picture."""

    code: str
    from_s: float
    to_s: float
    seconds: float
    coldest_c: str
    hottest_c: str


class Picture(NamedTuple):
    """`rows` say the same without a picture; `a0_s` is what gathered at the coldest probe, in its longest phase."""

    svg: str
    rows: tuple[PhaseRow, ...]
    probes: tuple[str, ...]
    a0_s: float


def draw(record: Record, criteria: Criteria, alarms: Sequence[Alarm] = ()) -> Picture:
    """The picture of a record against what it is held to."""
    load = probes.load(record, criteria)
    cycle = course.follow(record, criteria, load.coldest)
    gap_s = MAX_GAP_S if criteria.gap_s is None else criteria.gap_s
    curves = dict(sorted(record.temperatures.items(), key=lambda one: (not one[0].startswith("probe_"), one[0])))
    view = _Canvas(record.times, [*curves.values()], _limits(criteria))
    parts = [
        *_phases(view, cycle.order),
        *_gaps(view, gap_s),
        *_band(view, criteria, cycle.parts.get(DISINFECTION)),
    ]
    for n, (name, curve) in enumerate(curves.items()):
        parts += _curve(view, n, name, curve, gap_s)
    a0 = _gathered(record.times, load.coldest, cycle.parts.get(DISINFECTION), gap_s, criteria)
    parts += _lethality(view, a0, criteria, cycle.parts.get(DISINFECTION))
    parts += [line for alarm in alarms for line in _alarm(view, alarm)]
    rows = tuple(_row(piece, record.times, load) for piece in cycle.order)
    total = float(a0[-1]) if a0.size else 0.0
    gathered = f"A0 at the coldest load probe: {told(round(total, 1))} s in its longest disinfection phase."
    caption = f"{len(record.times)} rows over {told(record.times[-1] - record.times[0])} s. {gathered}"
    return Picture(_whole(view, parts, caption, rows, alarms), rows, tuple(curves), total)


class _Canvas:
    """Seconds and °C to where they stand."""

    def __init__(self, times: Floats, curves: Sequence[Floats], limits: list[float]) -> None:
        self.times = times
        self.begin, self.end = float(times[0]), float(times[-1])
        read = [curve[np.isfinite(curve) & (curve > -30) & (curve < 200)] for curve in curves]
        every = np.concatenate([*read, np.array(limits, dtype=np.float64)])
        low, high = (float(every.min()), float(every.max())) if every.size else (0.0, 100.0)
        self.low, self.high = np.floor(low / 10) * 10, np.ceil((high + 2) / 10) * 10

    def x(self, at: NDArray[np.float64] | float) -> NDArray[np.float64]:
        share = (np.asarray(at, dtype=np.float64) - self.begin) / max(self.end - self.begin, 1e-9)
        return LEFT + np.clip(share, 0, 1) * (WIDTH - LEFT - RIGHT)

    def y(self, celsius: NDArray[np.float64] | float) -> NDArray[np.float64]:
        share: NDArray[np.float64] = (np.clip(celsius, self.low, self.high) - self.low) / (self.high - self.low)
        return np.asarray(UPPER[1] - share * (UPPER[1] - UPPER[0]), dtype=np.float64)


def _limits(criteria: Criteria) -> list[float]:
    limits = criteria.phase(DISINFECTION)
    return [limit for limit in (limits.low_c, limits.high_c) if limit is not None]


def _text(x: float, y: float, words: str, *, anchor: str = "start", kind: str = "") -> str:
    named = f' class="{kind}"' if kind else ""
    return f'<text{named} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def _line(d: str, *, width: float = 1.0, dash: str = "", kind: str = "plot-line") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path class="{kind}" d="{d}" fill="none" stroke="currentColor" stroke-width="{width}"{dashed}/>'


# --- the parts ----------------------------------------------------------------------------------------


def _phases(view: _Canvas, order: Sequence[Piece]) -> Iterator[str]:
    """A bar of phases; where each begins a thin line goes down. A stop is hatched."""
    last = order[-1] if order else None
    for piece in order[:SEEN_PHASES]:
        begins = float(view.x(view.times[piece.first]))
        following = min(piece.last + (piece is not last), view.times.size - 1)
        width = max(float(view.x(view.times[following])) - begins, 1.0)
        plain = piece.code and piece.code not in ("halt", "door", "fault", "aborted", "drain", "power-lost")
        fill = "none" if plain else "url(#plot-hatch)"
        yield (
            f'<rect class="plot-phase" x="{begins:.1f}" y="{PHASES_AT}" width="{width:.1f}" height="22"'
            f' fill="{fill}" stroke="currentColor"><title>{escape(piece.code or "no mark")}</title></rect>'
        )
        tight = len(piece.code) * 6.9 > width
        room = int(width / 5.7)
        word = piece.code if len(piece.code) <= room else piece.code[: room - 1] + "…" if room > 4 else ""
        if word:
            kind = "plot-small" if tight else ""
            yield _text(begins + width / 2, PHASES_AT + 15.5, word, anchor="middle", kind=kind)
        yield _line(f"M{begins:.1f} {UPPER[0]}V{UPPER[1]}", width=0.5, dash="1 4", kind="plot-rule")
    if len(order) > SEEN_PHASES:
        yield _text(WIDTH - RIGHT + 8, PHASES_AT + 15.5, f"and {len(order) - SEEN_PHASES} more")


def _gaps(view: _Canvas, gap_s: float) -> Iterator[str]:
    for n in np.flatnonzero(np.diff(view.times) > gap_s)[:20]:
        begins, ends = view.x(view.times[n : n + 2])
        yield (
            f'<rect class="plot-gap" x="{begins:.1f}" y="{UPPER[0]}" width="{max(ends - begins, 2):.1f}"'
            f' height="{UPPER[1] - UPPER[0]}" fill="url(#plot-hatch)"/>'
        )
        yield _text((begins + ends) / 2, UPPER[0] + 14, "gap", anchor="middle", kind="plot-halo")


def _band(view: _Canvas, criteria: Criteria, parts: list[Piece] | None) -> Iterator[str]:
    """The band over the disinfection, or over all of it where there is none; its limits in words."""
    limits = criteria.phase(DISINFECTION)
    span = (parts[0].first, parts[-1].last) if parts else (0, view.times.size - 1)
    begins, ends = view.x(view.times[list(span)])
    low, high = limits.low_c, limits.high_c
    if low is not None and high is not None:
        top, bottom = view.y(high), view.y(low)
        yield (
            f'<rect class="plot-band" x="{begins:.1f}" y="{top:.1f}" width="{max(ends - begins, 2):.1f}"'
            f' height="{max(bottom - top, 1):.1f}" fill="currentColor" fill-opacity="0.13"/>'
        )
    for word, limit, up in (("lower", low, 13.0), ("upper", high, -4.0)):
        if limit is not None:
            at = float(view.y(limit))
            yield _line(f"M{begins:.1f} {at:.1f}H{ends:.1f}", width=1.2, dash="6 3", kind="plot-limit")
            yield _text(begins - 6, at + up, f"{word} limit {told(limit)} °C", anchor="end", kind="plot-halo")


def _curve(view: _Canvas, n: int, name: str, curve: Floats, gap_s: float) -> Iterator[str]:
    """A line in its own dash, with its own mark at times; its name at the right beside a sample of both."""
    dash, mark = DASHES[n % len(DASHES)], MARKS[n % len(MARKS)]
    rows = _drawn(view.times, curve)
    x, y = view.x(view.times[rows]), view.y(curve[rows])
    pieces, pen, before = [], "M", -1
    for place, row in enumerate(rows):
        if not np.isfinite(curve[row]):
            pen = "M"
            continue
        if before >= 0 and _parted(view.times, before, int(row), gap_s):
            pen = "M"
        pieces.append(f"{pen}{x[place]:.1f} {y[place]:.1f}")
        pen, before = "L", int(row)
    yield _line("".join(pieces) or "M0 0", width=1.6, dash=dash, kind="plot-curve")
    there = np.flatnonzero(np.isfinite(curve[rows]))
    if there.size:
        wanted = np.linspace(0.06, 0.9, 7) + 0.018 * n
        for at in np.unique(there[np.minimum((wanted * there.size).astype(int), there.size - 1)]):
            yield _mark(mark, float(x[at]), float(y[at]))
    at = UPPER[0] + 12 + 20 * n
    if at < UPPER[1]:
        yield _line(f"M{WIDTH - RIGHT + 10} {at}h34", width=1.6, dash=dash, kind="plot-curve")
        yield _mark(mark, WIDTH - RIGHT + 27, at)
        words = name.replace("_", " ") + ("" if there.size else ": nothing read")
        yield _text(WIDTH - RIGHT + 50, at + 4, words)


def _parted(times: Floats, one: int, other: int, gap_s: float) -> bool:
    return bool(np.max(np.diff(times[one : other + 1])) > gap_s)


def _drawn(times: Floats, curve: Floats) -> NDArray[np.int64]:
    """The rows to draw: all, or of each column of pixels the lowest and the highest, and what is missing there."""
    if times.size <= 2 * COLUMNS:
        return np.arange(times.size)
    rows = []
    for part in np.array_split(np.arange(times.size), COLUMNS):
        read = curve[part]
        there = np.isfinite(read)
        rows += [part[0], part[-1]]
        if there.any():
            rows += [part[np.nanargmin(read)], part[np.nanargmax(read)]]
        if not there.all():
            rows.append(part[np.argmin(there)])
    return np.unique(np.array(rows, dtype=np.int64))


def _mark(mark: str, x: float, y: float) -> str:
    shapes = {
        "square": f"M{x - 3:.1f} {y - 3:.1f}h6v6h-6Z",
        "up": f"M{x:.1f} {y - 4:.1f}l4 7h-8Z",
        "diamond": f"M{x:.1f} {y - 4.5:.1f}l4.5 4.5l-4.5 4.5l-4.5 -4.5Z",
        "down": f"M{x:.1f} {y + 4:.1f}l4 -7h-8Z",
        "cross": f"M{x - 3.5:.1f} {y - 3.5:.1f}l7 7m0 -7l-7 7",
        "plus": f"M{x - 4:.1f} {y:.1f}h8m-4 -4v8",
        "bar": f"M{x:.1f} {y - 5:.1f}v10",
        "circle": f"M{x - 3:.1f} {y:.1f}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0",
    }
    return f'<path class="plot-mark" d="{shapes[mark]}" stroke="currentColor" stroke-width="1.4"/>'


def _alarm(view: _Canvas, alarm: Alarm) -> Iterator[str]:
    at = float(view.x(alarm.at_s))
    yield _line(f"M{at:.1f} {UPPER[0] - 8}V{UPPER[1]}", width=1.2, dash="8 3 2 3 2 3", kind="plot-alarm")
    yield f'<path class="plot-flag" d="M{at:.1f} {UPPER[0] - 8}h13l-4 4l4 4h-13Z" fill="currentColor"/>'
    side = at > (LEFT + WIDTH - RIGHT) / 2
    words = alarm.words if len(alarm.words) <= 34 else alarm.words[:33] + "…"
    yield _text(at + (-5 if side else 5), UPPER[1] - 8, words, anchor="end" if side else "start", kind="plot-halo")


# --- A0 -----------------------------------------------------------------------------------------------


def _gathered(
    times: Floats, coldest: Floats, parts: list[Piece] | None, gap_s: float, criteria: Criteria
) -> Floats:
    """A0 in seconds up to each row of the longest piece of disinfection, at the coldest load probe."""
    if not parts:
        return np.zeros(0)
    piece = longest_piece(parts, times)
    at, cold = times[piece.rows], coldest[piece.rows]
    spans = np.diff(at)
    filled = np.where(np.isfinite(cold), cold, -50.0)
    asked = {"z": Z_K, "reference": A0_REFERENCE_C, "floor": A0_FLOOR_C}
    worth = integral(spans, filled, **asked, rule=criteria.rule)
    worth = np.where((spans <= gap_s) & np.isfinite(cold[:-1]) & np.isfinite(cold[1:]), worth, 0.0)
    return np.concatenate([[0.0], np.cumsum(worth)])


def _lethality(view: _Canvas, a0: Floats, criteria: Criteria, parts: list[Piece] | None) -> Iterator[str]:
    asked = criteria.disinfection.a0_s if isinstance(criteria.disinfection, Lethality) else None
    most = max(float(a0.max(initial=0.0)), asked or 0.0, 1.0) * 1.08
    top, bottom = LOWER

    def y(value: float) -> float:
        return float(bottom - value / most * (bottom - top))

    for tick in _ticks(0, most):
        yield _line(f"M{LEFT} {y(tick):.1f}h-5")
        yield _text(LEFT - 8, y(tick) + 4, told(tick), anchor="end")
    if asked is not None:
        yield _line(f"M{LEFT} {y(asked):.1f}H{WIDTH - RIGHT}", width=1.2, dash="6 3", kind="plot-limit")
        yield _text(WIDTH - RIGHT + 8, y(asked) + 4, f"required {told(asked)} s")
    if parts and a0.size:
        piece = longest_piece(parts, view.times)
        kept = np.unique(np.linspace(0, a0.size - 1, min(a0.size, COLUMNS)).astype(int))
        x = view.x(view.times[piece.rows][kept])
        d = "M" + "L".join(f"{at:.1f} {y(float(value)):.1f}" for at, value in zip(x, a0[kept], strict=True))
        yield _line(d + f"H{WIDTH - RIGHT}", width=2.2, kind="plot-curve")
        clash = asked is not None and abs(y(float(a0[-1])) - y(asked)) < 14
        yield _text(
            WIDTH - RIGHT + 8, y(float(a0[-1])) + (-9 if clash else 4), f"A0 {told(round(float(a0[-1]), 1))} s"
        )
    yield _text(LEFT, top - 10, "A0 in s at the coldest load probe, gathered in one uninterrupted disinfection")


# --- the whole ----------------------------------------------------------------------------------------


def _row(piece: Piece, times: Floats, load: probes.Load) -> PhaseRow:
    cold, hot = load.coldest[piece.rows], load.hottest[piece.rows]
    least = f"{np.nanmin(cold):.1f}" if np.isfinite(cold).any() else "not read"
    most = f"{np.nanmax(hot):.1f}" if np.isfinite(hot).any() else "not read"
    begins, ends = float(times[piece.first]), float(times[min(piece.last + 1, times.size - 1)])
    return PhaseRow(piece.code or "no mark", begins, ends, ends - begins, least, most)


def _ticks(low: float, high: float) -> Iterator[float]:
    rough = (high - low) / 4
    power = 10.0 ** np.floor(np.log10(rough))
    step = float(power * next(times for times in (1, 2, 5, 10) if power * times >= rough * 0.99))
    at = float(np.ceil(low / step - 1e-9) * step)
    while at <= high + 1e-9:
        yield at
        at += step


def _axes(view: _Canvas) -> Iterator[str]:
    ticks = list(_ticks(float(view.low), float(view.high)))
    for tick in ticks:
        at = float(view.y(tick))
        yield _line(f"M{LEFT} {at:.1f}h-5")
        yield _text(LEFT - 8, at + 4, f"{told(tick)} °C" if tick == ticks[-1] else told(tick), anchor="end")
    minutes = (view.begin / 60, max(view.end / 60, view.begin / 60 + 1e-6))
    for tick in _ticks(*minutes):
        at = float(view.x(tick * 60))
        yield _line(f"M{at:.1f} {LOWER[1]}v5M{at:.1f} {UPPER[1]}v4")
        yield _text(at, LOWER[1] + 18, told(tick), anchor="middle")
    yield _text(WIDTH - RIGHT, LOWER[1] + 36, "minutes of the record", anchor="end")
    for top, bottom in (UPPER, LOWER):
        yield _line(f"M{LEFT} {top}V{bottom}H{WIDTH - RIGHT}", width=1.2, kind="plot-axes")


def _whole(view: _Canvas, parts: list[str], caption: str, rows: Sequence[PhaseRow], alarms: Sequence[Alarm]) -> str:
    listed = "; ".join(f"{row.code} {told(row.from_s)} to {told(row.to_s)} s" for row in rows[:SEEN_PHASES])
    rung = "; ".join(f"{alarm.words} at {told(alarm.at_s)} s" for alarm in alarms) or "none"
    desc = f"{caption} Phases: {listed or 'none told'}. Alarms: {rung}. The table beside it says the same."
    return (
        f'<svg class="plot plot-cycle" role="img" viewBox="0 0 {WIDTH} {HEIGHT}"'
        ' aria-labelledby="cycle-title cycle-desc" fill="currentColor" font-size="13">'
        f'<title id="cycle-title">The recorded cycle</title><desc id="cycle-desc">{escape(desc)}</desc>'
        '<defs><pattern id="plot-hatch" width="7" height="7" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><path d="M0 0v7" stroke="currentColor" stroke-width="1.2"'
        ' stroke-opacity="0.5"/></pattern></defs>'
        f"{''.join(parts)}{''.join(_axes(view))}"
        f"{_text(LEFT, HEIGHT - 4, caption, kind='plot-caption')}</svg>"
    )
