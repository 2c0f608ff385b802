"""
Made benches kept out of tuning: other laws, other duty, other noise. `BENCHES` score, and choose nothing.

`OPENED` were scored and then opened for tuning: two because the forecast lost on them, wet and dry because it
has labels that were not learned.

Laws of filtration at constant flow: J. Hermia, "Constant Pressure Blocking Filtration Laws", Trans. IChemE 60
(1982), turned to constant flow: dp/dV = k p^n with n = 0 (cake), 1 (intermediate), 1.5 (standard), 2
(complete blocking). Figures of lengths and dust are chosen.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tests.benches.form import Array, Bench, MadeLife, ended

JUDGED = 20
TERMINAL = 25.0  # inH2O


def _blocking(x: Array, clean: float, n: float) -> Array:
    """Level over terminal after a share x of the dust that brings it from `clean` to 1, by dp/dV = k p^n."""
    if abs(n - 1.0) < 1e-6:
        return np.asarray(clean ** (1.0 - x))
    return np.asarray((clean ** (1 - n) + x * (1.0 - clean ** (1 - n))) ** (1.0 / (1.0 - n)))


def blocking_laws(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Each life blocks by its own law; the dust of a life is lognormal (0.45). Sensor steps of a quarter inch,
    noise of its own on each machine.
    """

    def one(number: int) -> MadeLife:
        length_h = 600.0 * np.exp(rng.normal(0, 0.45))
        hours = np.linspace(0.0, 1.15 * length_h, 300)
        x = np.minimum(hours / length_h, 1.05)
        level = TERMINAL * _blocking(x, rng.uniform(0.2, 0.4), rng.uniform(0.2, 1.6))
        level += rng.uniform(0.05, 1.0) * rng.normal(size=300)
        return ended(f"life {number}", hours, np.round(4 * level) / 4, TERMINAL)

    lives = [one(number) for number in range(count + JUDGED)]
    return lives[:count], lives[count:]


def service_interval(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Weibull lengths (shape 2.2, scale 520 h); half of the machines are changed at the service of 250 h
    whatever they show, so that short lives are seen to their end and long ones are not. Two kinds of media,
    no label.
    """

    def one(number: int, *, judged: bool) -> MadeLife:
        length_h = max(60.0, 520.0 * float(rng.weibull(2.2)))
        hours = np.arange(0.0, 1.2 * length_h, max(1.0, length_h / 250))
        knee, at = (0.6, 0.25) if rng.uniform() < 0.5 else (0.85, 0.45)
        x = hours / length_h
        rise = np.where(x < knee, at * x / knee, at + (1.0 - at) * (x - knee) / (1.0 - knee))
        level = TERMINAL * (0.24 + 0.76 * rise + 0.015 * rng.normal(size=len(x)))
        life = ended(f"life {number}", hours, level, TERMINAL)
        if judged or rng.uniform() < 0.5 or life.hours[-1] <= 250.0:
            return life
        rows = int(np.searchsorted(life.hours, 250.0))
        return MadeLife(name=life.name, hours=hours[:rows], restriction=level[:rows], terminal=TERMINAL)

    return [one(n, judged=False) for n in range(count)], [one(n, judged=True) for n in range(JUDGED)]


def campaigns(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    A pit works in campaigns: lives of one campaign see the same dust and the same delivery of media, so they
    are near twins (2 %); two labelled materials. Judged: campaigns not seen. Dust comes in bursts.
    """

    def campaign(number: int, size: int) -> list[MadeLife]:
        material = number % 2
        length_h = (180.0, 420.0)[material] * np.exp(rng.normal(0, 0.3))
        n, clean = rng.uniform(0.6, 1.4), rng.uniform(0.2, 0.32)
        bursts = rng.gamma(0.5, 1.0, 260)
        made = []
        for life in range(size):
            dust = np.cumsum(bursts * np.exp(rng.normal(0, 0.2, 260)))
            x = dust / dust[229]
            hours = np.arange(1.0, 261.0) / 230.0 * length_h * np.exp(rng.normal(0, 0.02))
            level = _blocking(np.minimum(x, 1.1), clean, n) + 0.01 * rng.normal(size=260)
            made.append(
                ended(f"campaign {number} {life}", hours, TERMINAL * level, TERMINAL, group=f"m{material}")
            )
        return made

    learned = [life for number in range((count + 3) // 4) for life in campaign(number, 4)][:count]
    return learned, [campaign(500 + number, 1)[0] for number in range(JUDGED)]


def wet_and_dry(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Rain swells the media for a day now and then; dust is a slow wave over the season; few rows (90). Lengths
    spread by 0.2 in four labelled trades, of which one is rare. A third is changed early.
    """

    def one(number: int, *, judged: bool) -> MadeLife:
        trade = int(rng.choice(4, p=[0.4, 0.3, 0.25, 0.05]))
        length_h = (250.0, 400.0, 640.0, 1000.0)[trade] * np.exp(rng.normal(0, 0.2))
        hours = np.sort(rng.uniform(0.0, 1.15 * length_h, 90))
        wave = 1.0 + 0.5 * np.sin(2 * np.pi * (hours / 900.0 + rng.uniform()))
        dust = np.concatenate(([0.0], np.cumsum(np.diff(hours) * wave[1:])))
        x = dust / np.interp(length_h, hours, dust)
        level = _blocking(np.minimum(x, 1.1), 0.28, rng.uniform(0.5, 1.3))
        for start in rng.uniform(0.0, length_h, rng.poisson(3)):
            wet = (hours > start) & (hours < start + 12.0)
            level = level * np.where(wet, 1.0 + rng.uniform(0.02, 0.06), 1.0)
        level = TERMINAL * (level + 0.008 * rng.normal(size=90))
        seen = rng.uniform(0.4, 0.95) if not judged and rng.uniform() < 0.33 else 1.0
        return ended(f"life {number}", hours, level, TERMINAL, group=f"trade {trade}", seen=seen)

    return [one(n, judged=False) for n in range(count)], [one(n, judged=True) for n in range(JUDGED)]


BENCHES: Mapping[str, Bench] = {"service interval": service_interval}
OPENED: Mapping[str, Bench] = {
    "blocking laws": blocking_laws,
    "campaigns": campaigns,
    "wet and dry": wet_and_dry,
}
