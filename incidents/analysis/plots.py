"""Figures as SVG text: presentation attributes and classes only, readable in black on white and without colour.

Each picture says its verdict in a caption, labels its lines where they are, and has a `title` and a `desc`.
Ground and ink are the system's `Canvas` and `CanvasText`, so that a page in dark colours turns them. Uncertainty
is tinted, what lies beyond a limit is hatched, an open mark means nothing out of the ordinary.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 720, 400
LEFT, RIGHT, TOP, BOTTOM = 64, 112, 40, 76  # around the pane: numbers, direct labels, title, axis and caption
MOST = 2000  # points of a line; of a longer one each so-manieth is drawn
MEASURED = ("imr", "ewma")
MARKS = 300  # above it single marks would run together


class Pane:
    """One unit against another; collects the parts of a picture. `name` keeps two on one page apart."""

    def __init__(self, x: tuple[float, float], y: tuple[float, float], name: str = "plot") -> None:
        self.x, self.y = _apart(*x), _apart(*y)
        self.name = _identifier(name)
        self.parts: list[str] = []

    def at(self, x: Any, y: Any) -> tuple[Floats, Floats]:
        across = LEFT + (np.asarray(x, dtype=float) - self.x[0]) / (self.x[1] - self.x[0]) * (WIDTH - LEFT - RIGHT)
        share = (np.asarray(y, dtype=float) - self.y[0]) / (self.y[1] - self.y[0])
        return across, HEIGHT - BOTTOM - np.clip(share, -0.02, 1.02) * (HEIGHT - TOP - BOTTOM)

    def line(self, x: Any, y: Any, kind: str, *, width: float = 1.5, dash: str = "") -> None:
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<path class="plot-{kind}" d="{self._path(x, y)}" fill="none" stroke="currentColor"'
            f' stroke-width="{width}" stroke-linejoin="round"{dashed}/>'
        )

    def steps(self, x: Any, y: Any, kind: str, **look: Any) -> None:
        """A line that stays level until it jumps."""
        x, y = _thinned(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        self.line(np.repeat(x, 2)[1:], np.repeat(y, 2)[:-1], kind, **look)

    def band(self, x: Any, low: Any, high: Any, kind: str) -> None:
        x, low, high = _thinned(*(np.asarray(one, dtype=float) for one in (x, low, high)))
        low, high = np.clip(low, *self.y), np.clip(high, *self.y)  # it stays within its frame
        there = np.isfinite(low) & np.isfinite(high)
        around = self._path(np.append(x[there], x[there][::-1]), np.append(high[there], low[there][::-1]))
        self.parts.append(f'<path class="plot-{kind}" d="{around}Z" fill="currentColor" fill-opacity="0.14"/>')

    def hatched(self, low: float, high: float) -> None:
        """What lies beyond a limit, from side to side."""
        low, high = max(low, self.y[0]), min(high, self.y[1])
        if high <= low:
            return
        (left, right), (bottom, top) = self.at(self.x, [low, high])
        self.parts.append(
            f'<rect class="plot-beyond" x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}"'
            f' height="{bottom - top:.1f}" fill="url(#{self.name}-hatch)"/>'
        )

    def mark(self, x: float, y: float, *, out: bool) -> None:
        (across, up) = self.at(x, y)
        if out:
            shape = f"M{across:.1f} {up - 7:.1f}l7 7l-7 7l-7 -7Z"
            self.parts.append(f'<path class="plot-signal" d="{shape}" fill="currentColor"/>')
        else:
            self.parts.append(
                f'<circle class="plot-point" cx="{across:.1f}" cy="{up:.1f}" r="3" fill="Canvas"'
                ' stroke="currentColor" stroke-width="1.2"/>'
            )

    def bar(self, x: float, width: float, y: float, *, out: bool) -> None:
        (left, right), (bottom, top) = self.at([x, x + width], [0.0, y])
        fill = "currentColor" if out else f"url(#{self.name}-hatch)"
        self.parts.append(
            f'<rect class="plot-bar" x="{left:.2f}" y="{top:.1f}" width="{max(right - left - 0.5, 0.5):.2f}"'
            f' height="{bottom - top:.1f}" fill="{fill}" stroke="currentColor"/>'
        )

    def tag(self, x: float) -> None:
        """A tag that points down on the axis: a repair."""
        across, floor = self.at(x, self.y[0])
        self.parts.append(f'<path class="plot-tag" d="M{across:.1f} {floor:.1f}l-5 -10h10Z" fill="currentColor"/>')

    def label(self, y: float, words: str, *, nudge: float = 4) -> None:
        """A word for a line, where it ends at the right."""
        _, up = self.at(self.x[1], y)
        self.parts.append(f'<text x="{WIDTH - RIGHT + 6}" y="{up + nudge:.1f}">{escape(words)}</text>')

    def words(self, x: float, y: float, words: str) -> None:
        across, up = self.at(x, y)
        self.parts.append(f'<text x="{across:.1f}" y="{up - 10:.1f}" text-anchor="middle">{escape(words)}</text>')

    def _path(self, x: Any, y: Any) -> str:
        across, up = self.at(*_thinned(np.asarray(x, dtype=float), np.asarray(y, dtype=float)))
        pieces, pen = [], "M"
        for a, b in zip(across, up, strict=True):
            if not (np.isfinite(a) and np.isfinite(b)):
                pen = "M"  # a gap stays a gap
                continue
            pieces.append(f"{pen}{a:.1f} {b:.1f}")
            pen = "L"
        return "".join(pieces)

    def picture(self, title: str, desc: str, caption: str, x: str, y: str) -> str:
        axes, floor = [], HEIGHT - BOTTOM
        for tick in _ticks(*self.x):
            across, _ = self.at(tick, self.y[0])
            axes.append(f'<path d="M{across:.1f} {floor}v5" stroke="currentColor"/>')
            axes.append(f'<text x="{across:.1f}" y="{floor + 18}" text-anchor="middle">{_told(tick)}</text>')
        for tick in _ticks(*self.y):
            _, up = self.at(self.x[0], tick)
            axes.append(f'<path d="M{LEFT} {up:.1f}h-5" stroke="currentColor"/>')
            axes.append(f'<text x="{LEFT - 8}" y="{up + 4:.1f}" text-anchor="end">{_told(tick)}</text>')
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" viewBox="0 0 {WIDTH} {HEIGHT}"'
            f' aria-labelledby="{self.name}-title {self.name}-desc" color="CanvasText" fill="currentColor"'
            ' font-family="sans-serif" font-size="12">'
            f'<title id="{self.name}-title">{escape(title)}</title>'
            f'<desc id="{self.name}-desc">{escape(desc)}</desc>'
            f'<defs><pattern id="{self.name}-hatch" width="6" height="6" patternUnits="userSpaceOnUse"'
            ' patternTransform="rotate(45)"><path d="M0 0v6" stroke="currentColor" stroke-width="1"'
            ' stroke-opacity="0.45"/></pattern></defs>'
            f'<rect class="plot-ground" width="{WIDTH}" height="{HEIGHT}" fill="Canvas"/>'
            f'<text x="{LEFT}" y="22" font-size="14" font-weight="bold">{escape(title)}</text>'
            f"{''.join(self.parts)}{''.join(axes)}"
            f'<path class="plot-axes" d="M{LEFT} {TOP}V{floor}H{WIDTH - RIGHT}" fill="none" stroke="currentColor"/>'
            f'<text x="{WIDTH - RIGHT}" y="{floor + 34}" text-anchor="end">{escape(x)}</text>'
            f'<text x="{LEFT}" y="{TOP - 4}">{escape(y)}</text>'
            f'<text class="plot-caption" x="{LEFT}" y="{HEIGHT - 12}">{escape(caption)}</text></svg>\n'
        )


# --- pictures -----------------------------------------------------------------------------------------


def cumulative(
    times: ArrayLike,
    keys: Mapping[str, Any],
    confidence: float,
    *,
    returns: Sequence[float] = (),
    caption: str = "",
    name: str = "plot",
    axis: str = "cycles or running hours",
) -> str:
    """A machine's faults over its exposure, with the likeliest power law and where chance alone leads; a tag on the
    axis for each return to service."""
    times, law, until = np.asarray(times, dtype=float), keys["mle"], keys["until"]
    n = times.size
    pane = Pane((0, until), (0, n * 1.1 + 1), name)
    count = np.append(0, np.arange(1, n + 1))
    fitted = law["beta"] is not None and law["lambda"] is not None
    if fitted:
        t = np.linspace(0, until, 200)
        mean = n * (t / until) ** law["beta"]
        tail = (1 - confidence) / 2
        pane.band(t, stats.poisson.ppf(tail, mean), stats.poisson.isf(tail, mean), "band")
        pane.line(t, mean, "fit", width=1.2, dash="6 4")
    pane.steps(np.concatenate([[0], times, [until]]), np.append(count, n), "events", width=2)
    for one in returns:
        pane.tag(one)
    pane.label(n, f"{n} faults", nudge=-4)
    if fitted:
        pane.label(n, "power law", nudge=12)
    words = {"rising": "coming faster", "falling": "coming slower"}.get(keys["verdict"], keys["verdict"])
    shape = f"shape {law['beta']:.3g}" if fitted else "no shape"
    chances = f"p {_p(keys, 'mil_hdbk_p')}, for uneven gaps {_p(keys, 'lewis_robinson_p')}"
    said = f"{n} faults, {words}; {shape}. {chances}."
    tags = f" Tags on the axis: {len(returns)} returns to service." if returns else ""
    desc = (
        f"Steps: faults so far, {n} by {until:g}. Dashed: the likeliest power law. Tinted: where {confidence:.0%}"
        f" of counts would lie under it.{tags} {said}"
    )
    return pane.picture("Faults over exposure", desc, caption or said, axis, "faults")


def recurrence(rows: Sequence[Mapping[str, Any]], units: int, last: float, confidence: float) -> str:
    """The mean cumulative number of faults a machine, with its bounds."""
    time, mean, low, high = (
        np.array([row[name] if row[name] is not None else np.nan for row in rows], dtype=float)
        for name in ("time", "mcf", "low", "high")
    )
    pane = Pane((0, last), (0, float(np.nanmax(np.append(high, mean)) * 1.05)))
    level, jump = slice(0, -1), slice(1, None)  # each bound holds until the next fault, the last to the end
    time, low, high = np.append(time, last), np.append(low, low[-1:]), np.append(high, high[-1:])
    twice = [np.repeat(one, 2) for one in (time, low, high)]
    pane.band(twice[0][jump], twice[1][level], twice[2][level], "band")
    for bound in (low, high):
        pane.steps(time, bound, "bound", width=1, dash="2 3")
    pane.steps(np.append(0, time), np.concatenate([[0], mean, mean[-1:]]), "mean", width=2)
    pane.label(float(mean[-1]), f"{mean[-1]:.3g} a unit")
    caption = f"{len(rows)} faults of {units} units; {mean[-1]:.3g} a unit by {time[-2]:g}."
    desc = f"Steps: mean cumulative faults a unit. Tinted, dotted edges: {confidence:.0%} bounds. {caption}"
    return pane.picture("Mean cumulative faults", desc, caption, "age in cycles or running hours", "faults a unit")


def chart(series: Mapping[str, Floats], keys: Mapping[str, Any], kind: str) -> str:
    """A control chart: the points in their order, centre and limits, whatever lies beyond them."""
    first = next(iter(series.values()))
    n, center = first.size, keys["center"]
    limits = {name: _along(keys[name], n) for name in ("lcl", "ucl")}
    everything = np.concatenate([*series.values(), *limits.values(), [center]])
    low, high = float(np.nanmin(everything)), float(np.nanmax(everything))
    from_zero = low >= 0 and kind not in MEASURED  # counts are seen beside nothing, measures beside each other
    pane = Pane((0.5, n + 0.5), (0 if from_zero else low - (high - low) * 0.08, high + (high - low) * 0.12))
    place = np.arange(1, n + 1)
    for name, limit in limits.items():
        if not np.isfinite(limit).any():
            continue
        if np.ptp(limit) == 0:
            pane.hatched(*((limit[0], pane.y[1]) if name == "ucl" else (pane.y[0], limit[0])))
        edges, levels = np.append(place - 0.5, n + 0.5), np.append(limit, limit[-1])
        pane.steps(edges, levels, "limit", dash="6 3")
        pane.label(float(limit[-1]), f"{'upper' if name == 'ucl' else 'lower'} {limit[-1]:.4g}")
    pane.line([0.5, n + 0.5], [center, center], "center", width=1)
    pane.label(center, f"centre {center:.4g}", nudge=-4 if kind == "cusum" else 4)
    signals = set(keys["signals"])
    for number, values in enumerate(series.values()):
        pane.line(place, values, "series", width=1.5, dash="" if number == 0 else "3 3")
        for at, value in enumerate(values, 1):
            out = at in signals and bool(value > limits["ucl"][at - 1] or value < limits["lcl"][at - 1])
            if out or n <= MARKS:
                pane.mark(at, float(value), out=out)
            if out and len(signals) <= 30:
                pane.words(at, float(value), str(at))
    seen = f"Beyond the limits: {_listed(keys['signals'])}." if signals else "No point lies beyond the limits."
    desc = (
        f"{kind} chart of {n} points. Filled diamonds lie beyond the limits (hatched), open circles do not. {seen}"
    )
    return pane.picture(f"Control chart ({kind})", desc, seen, "point", " · ".join(series))


def windows(counts: Floats, most: int, caption: str) -> str:
    """Alarms in each ten minutes by the clock, with the line above which it is a flood."""
    pane = Pane((0, counts.size), (0, max(float(counts.max(initial=0)), most) * 1.15))
    width = max(1, -(-counts.size // MOST))  # so many windows share a bar, which shows the fullest of them
    padded = np.append(counts, np.zeros(-counts.size % width))
    for place, count in enumerate(padded.reshape(-1, width).max(axis=1)):
        if count:
            pane.bar(place * width, width, float(count), out=count > most)
    pane.line([0, counts.size], [most, most], "limit", dash="6 3")
    pane.label(most, f"flood above {most}")
    desc = f"Bars: alarms in each ten minutes; filled above {most}, hatched otherwise. {caption}"
    return pane.picture("Alarms in ten minutes", desc, caption, "ten minutes by the clock", "alarms")


# --- numbers ------------------------------------------------------------------------------------------


def _along(limit: Any, n: int) -> Floats:
    return np.array(limit if isinstance(limit, list) else [limit] * n, dtype=float)  # None becomes NaN


def _identifier(name: str) -> str:
    """A name as an id may be, told apart from any other."""
    return "".join(letter if letter.isascii() and letter.isalnum() else f"-{ord(letter):x}" for letter in name)


def _apart(low: float, high: float) -> tuple[float, float]:
    return (low, high) if high > low else (low, low + 1)


def _thinned(*columns: Floats) -> tuple[Floats, ...]:
    size = columns[0].size
    if size <= MOST:
        return columns
    kept = np.unique(np.linspace(0, size - 1, MOST).astype(int))
    return tuple(column[kept] for column in columns)


def _ticks(low: float, high: float) -> Any:
    """Round numbers within, about five of them."""
    rough = (high - low) / 5
    power = 10.0 ** np.floor(np.log10(rough))
    step = power * next(times for times in (1, 2, 5, 10) if power * times >= rough * 0.99)
    return np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step


def _told(tick: float) -> str:
    return f"{tick + 0.0:.6g}".replace("-", "−")


def _p(keys: Mapping[str, Any], name: str) -> str:
    return "not told" if keys[name] is None else f"{keys[name]:.2g}"


def _listed(places: Sequence[int]) -> str:
    return ", ".join(map(str, places[:12])) + (f" and {len(places) - 12} more" if len(places) > 12 else "")
