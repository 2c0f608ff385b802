"""Summaries as columns: packed, patched and judged as tables, they say what they said hour by hour."""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.ingest.restriction import HourSummary, PackedHour, Readings, Summaries, summarise_hours
from cleanside.ingest.restriction.measure.ranks import row_quantiles
from cleanside.ingest.restriction.measure.reference import at_reference_flow, learn_reference
from cleanside.ingest.restriction.measure.wrong_input import WrongInput
from cleanside.ingest.restriction.measure.zero import learn_zero

START_S = 1_772_431_200.0


def summaries(hours: int = 40, *, seed: int = 2, gap: bool = True) -> Summaries:
    """Mixed work with some hours off, some without a flow proxy, some missing."""
    rng = np.random.default_rng(seed)
    n = hours * 60
    at_s = START_S + 60.0 * np.arange(n)
    running = ((at_s // 3600) % 5 > 0) & (at_s % 3600 >= 300)
    flow = np.where(running & ((at_s // 3600) % 7 > 0), rng.uniform(0.1, 0.4, n), np.nan)
    keep = (at_s // 3600) % 11 > 0 if gap else np.ones(n, dtype=bool)
    drop = np.where(running, 3000 * (np.nan_to_num(flow, nan=0.3) / 0.4) ** 1.6, 0) + rng.normal(0, 30, n)
    return summarise_hours(
        Readings(
            at_s=np.asarray(at_s[keep], dtype=np.float64),
            restriction_pa=drop[keep],
            air_mass_flow_kg_s=flow[keep],
            engine_speed_rad_s=np.where(running, 180.0, 0.0)[keep],
            ambient_pressure_pa=np.full(keep.sum(), 88_000.0),
        )
    )


def test_an_hour_goes_through_its_packed_form_to_the_last_bit() -> None:
    made = summaries()
    again = Summaries.unpacked(made.packed())
    assert again == made
    assert again.packed() == made.packed()
    assert list(again) == list(made)
    assert Summaries.of(list(made)) == made
    assert Summaries.of(list(made)[::-1]) == made


def test_of_no_hours_there_is_an_empty_table() -> None:
    assert len(Summaries.unpacked([])) == 0
    assert Summaries.of([]) == []


@pytest.mark.parametrize("spoil", [lambda h: h[:-1], lambda h: b"\x09" + h[1:]])
def test_bytes_of_another_version_are_refused_with_the_next_step(spoil) -> None:
    hour, bins = summaries().packed()[0]
    with pytest.raises(WrongInput) as wrong:
        Summaries.unpacked([PackedHour(spoil(hour), bins)])
    assert wrong.value.code == "summaries_version"


def test_patched_hours_take_the_place_of_their_own_and_gone_ones_leave() -> None:
    whole = summaries()
    packed = whole.packed()
    half = Summaries.unpacked(packed[::2])
    rest = Summaries.unpacked(packed[1::2])
    assert half.patched(rest) == whole
    assert rest.patched(half) == whole
    assert whole.patched(half) == whole
    hours = whole.hours["hour_s"].tolist()
    assert whole.patched(Summaries.unpacked([]), gone=hours[1::2]) == half
    assert half.patched(Summaries.unpacked(packed[3:4]), gone=hours[:1]).hours["hour_s"].tolist() == sorted(
        set(hours[2::2]) | {hours[3]}
    )


def plain_level(hour: HourSummary, zero_pa: float, flow_ref: float, exponent: float) -> float | None:
    """Least-squares R of R (Q/Q_ref)^n over the bins of one hour, in plain sums."""
    near = [b for b in hour.bins if b.flow >= 0.5 * flow_ref]
    if hour.flow_kind != "air_mass_flow" or not near:
        return None
    factors = [(b.flow / flow_ref) ** exponent for b in near]
    above = sum(b.readings * f * (b.mean_pa - zero_pa) for b, f in zip(near, factors, strict=True))
    return above / sum(b.readings * f**2 for b, f in zip(near, factors, strict=True))


def test_restriction_at_the_reference_flow_of_all_hours_at_once_is_that_of_each_hour_alone() -> None:
    made = summaries()
    reference = learn_reference(made)
    assert reference.density == "not corrected" or reference.exponent is not None
    zero = learn_zero(made).by_hour_pa
    density = at_reference_flow(made, reference)
    expected = {
        hour.hour_s: level
        for hour, zero_pa in zip(made, zero, strict=True)
        if (level := plain_level(hour, zero_pa, reference.reference_flow or 0, reference.exponent or 0))
    }
    assert density.hour_s.tolist() == sorted(expected)
    # All hours have the same pressure and temperature, so the density factor is one number.
    ratio = density.restriction_pa / np.array([expected[h] for h in sorted(expected)])
    assert ratio == pytest.approx(np.full(len(ratio), ratio[0]), rel=1e-9)


@pytest.mark.parametrize(("q", "rows"), [(0.3, 150), (0.5, 24), (0.7, 30), (0.5, 25), (0.8, 3), (0.0, 7)])
def test_a_quantile_of_each_row_equals_numpy_to_the_last_bit(q: float, rows: int) -> None:
    values = np.random.default_rng(8).normal(size=400)
    windows = np.lib.stride_tricks.sliding_window_view(values, rows)
    assert np.array_equal(row_quantiles(windows, q), np.quantile(windows, q, axis=1))


def test_the_reference_flow_is_the_full_one_also_where_full_and_nearly_full_share_a_bin() -> None:
    """0.9 and 1.0 of rated speed can fall into one bin; its mean flow would state terminal 5 % too low."""
    rng = np.random.default_rng(3)
    at_s = START_S + 10.0 * np.arange(360 * 30, dtype=np.float64)
    speed = np.repeat(rng.choice([84.0, 150.0, 179.1, 199.0], len(at_s) // 30), 30)
    drop = 3000.0 * (speed / 199.0) ** 1.6 + rng.normal(0, 20, len(at_s))
    made = summarise_hours(Readings(at_s=at_s, restriction_pa=drop, engine_speed_rad_s=speed))
    reference = learn_reference(made)
    assert reference.reference_flow == pytest.approx(199.0, rel=0.005)
    level = np.median(at_reference_flow(made, reference).restriction_pa)
    assert level == pytest.approx(3000.0, rel=0.015)
