"""
Five questions to the forecast, each with a small table of its own, on made lives that it was tuned on.

    python -m tests.benchmark.bench_forecast_questions [unlike|labels|noise|age|spread ...] [--repeats 10]
        [--seed 50]

- unlike: how early a life like none learned from is said to be so, by its length over those of 24 lives
  known; and lives like those known that are said to be so.
- labels: what labels are worth where lives are of two kinds and six of ten are changed early.
- noise: whether a life seems shorter where its sensor is noisier: correlation of ln(length seen over true
  length) and of ln(length) with ln(noise), by the first row at terminal, by the first that the rows after it
  confirm, and by the smoothed level.
- age: what the look-up makes of an age at a level: change of the hours left by an hour more, in each third of
  the way to the limit; and the bias of look-up, prior and both for a life of half the length of any known.
- spread: unlabelled lives whose learned spread of ln(length) is above 0.3, given one half more: tried.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from functools import partial
from typing import Any
from unittest.mock import patch

import numpy as np

from cleanside.ingest.evaluation.life_files import end_of
from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast import forecast
from cleanside.ingest.restriction.forecast.forecast import Forecaster, Learned, fit_forecaster
from cleanside.ingest.restriction.forecast.paths import terminal_row, trace
from cleanside.ingest.restriction.forecast.prior import clean_of, prior_hours_left
from cleanside.ingest.restriction.forecast.usual import Lengths
from cleanside.ingest.restriction.verdict.evidence import STRANGE_SAID
from tests.benches import tuning
from tests.benches.form import Array, Bench, as_life
from tests.benchmark.bench_forecast_ablation import score

KNOWN, KNOWN_H, KNOWN_SPREAD = 24, 500.0, 0.12  # lives learned from, their length and its spread
RATIOS = (0.1, 0.2, 0.3, 0.5, 0.65, 0.8, 1.0, 1.25, 1.4, 1.7, 2.0, 3.0, 4.0)  # of the length, asked about
TRIED_SPREAD, TRIED_FACTOR = 0.3, 1.5
LIVES = {"unequal noise": (4, 12), "censored kinds": (4, 12), "alike": (4, 12)}  # benches without labels


def exponential_life(rng: np.random.Generator, length_h: float, clean: float = 0.15) -> Life:
    """A whole life of 250 rows along an exponential curve, with noise of 0.4 % of terminal."""
    hours = np.linspace(length_h / 250, length_h, 250)
    share = clean + (1 - clean) * np.expm1(3.5 * hours / length_h) / np.expm1(3.5)
    share += rng.normal(0, 0.004, 250)
    share[-1] = 1.0
    return Life(hours=hours, restriction_pa=6000.0 * share, terminal_pa=6000.0, complete=True, kind="")


def unlike(repeats: int, seed: int) -> Iterator[str]:
    """How early it is said, by length over the lengths known."""
    rng = np.random.default_rng(seed)
    lengths = KNOWN_H * np.exp(rng.normal(0, KNOWN_SPREAD, KNOWN))
    learned = _learned(fit_forecaster([exponential_life(rng, length) for length in lengths]))
    yield f"{'length over those known':26}{'said of':>10}{'at share of life':>18}{'of way to limit':>17}"
    for ratio in RATIOS:
        said = [_first_said(learned, exponential_life(rng, ratio * KNOWN_H)) for _ in range(repeats)]
        at = np.array([one for one in said if one is not None]).reshape(-1, 2)
        places = "".join(f"{value:>17.2f}" for value in np.median(at, axis=0)) if len(at) else ""
        yield f"{ratio:<26g}{f'{len(at)} of {repeats}':>10}{places}"
    drawn = KNOWN_H * np.exp(rng.normal(0, KNOWN_SPREAD, 10 * repeats))
    of = [_first_said(learned, exponential_life(rng, length)) is not None for length in drawn]
    cleaner = [
        _first_said(learned, exponential_life(rng, length, rng.uniform(0.1, 0.25))) is not None
        for length in drawn
    ]
    yield f"like those known: {sum(of)} of {len(of)} said; with clean levels of 0.10 to 0.25: {sum(cleaner)}"
    for name in ("unequal noise", "twin batches", "censored kinds", "alike", "passing dust"):
        yield f"  {name}, 12 lives: {_share_said(tuning.BENCHES[name], repeats, seed)}"


def _share_said(bench: Bench, repeats: int, seed: int) -> str:
    said = []
    for repeat in range(repeats):
        known, judged = bench(np.random.default_rng([seed, repeat]), 12)
        learned = _learned(fit_forecaster([as_life(life) for life in known]))
        said += [_first_said(learned, as_life(life)) is not None for life in judged]
    return f"{sum(said)} of {len(said)} said"


def _learned(forecaster: Forecaster) -> Learned:
    assert forecaster.learned is not None  # of whole lives
    return forecaster.learned


def _first_said(learned: Learned, life: Life) -> tuple[float, float] | None:
    """Share of the life, and of the way to the limit, at which it is first said to be like none."""
    share = life.restriction_pa / life.terminal_pa
    path = trace(life.hours, share)
    strange = learned.strange(path.hours, path.level, clean_of(path, share, from_new=True), life.kind)
    if not np.any(strange > STRANGE_SAID):
        return None
    row = int(np.argmax(strange > STRANGE_SAID))
    return float(life.hours[row] / life.hours[-1]), float(learned.progress(path.level)[row])


def labels(repeats: int, seed: int) -> Iterator[str]:
    """Error and interval with and without labels, on the same lives."""
    yield f"{'lives':8}{'RMSE without':>14}{'with':>8}{'ratio':>8}{'holds without':>16}{'with':>8}"
    for lives in (4, 8, 16):
        found = [
            _score(partial(tuning.censored_kinds, labelled=labelled), lives, repeats, seed)
            for labelled in (False, True)
        ]
        (bare, held), (labelled, held_labelled) = found
        errors = f"{bare:>14.1f}{labelled:>8.1f}{labelled / bare:>8.2f}"
        yield f"{lives:<8}{errors}{100 * held:>14.1f} %{100 * held_labelled:>6.1f} %"


def _score(bench: Bench, lives: int, repeats: int, seed: int) -> tuple[float, float]:
    def cell(rng: np.random.Generator) -> tuple[list[Life], list[Life]]:
        known, judged = bench(rng, lives)
        return [as_life(life) for life in known], [as_life(life) for life in judged]

    found = score([cell], repeats=repeats, seed=seed, rows_skipped=10)
    return float(np.exp(found.error[0])), found.held


def noise(repeats: int, seed: int) -> Iterator[str]:
    """Correlation of the length with the noise, by each way to read where a life ends."""
    rng = np.random.default_rng(seed)
    ends: Mapping[str, Callable[[Array, Array], int]] = {
        "first row at terminal": lambda _, level: int(np.argmax(level >= 1.0)),
        "first row that is confirmed": lambda _, level: end_of(level, 1.0) - 1,
        "smoothed level": lambda hours, level: terminal_row(hours, trace(hours, level).peak),
    }
    seen: dict[str, list[float]] = {name: [] for name in ends}
    true, noises = [], []
    for _ in range(100 * repeats):
        hours, level, _, size = tuning.noisy_rows(rng)
        reached = hours[min(int(np.searchsorted(level, 1.0)), len(hours) - 1)]
        shown = level + size * rng.normal(size=len(hours))
        if level[-1] < 1.0 or not np.any(shown >= 1.0):
            continue  # of the few that begin low: 1.1 of their length does not reach terminal
        true.append(float(np.log(reached)))
        noises.append(float(np.log(size)))
        for name, end in ends.items():
            seen[name].append(float(np.log(hours[end(hours, shown)])))
    yield f"{len(true)} lives, noise of 0.4 to 5 % of terminal"
    heads = f"{'r(seen over true, noise)':>26}{'r(length, noise)':>18}{'seen over true':>16}"
    yield f"{'a life ends at the':30}{heads}"
    for name, lengths in seen.items():
        short = np.array(lengths) - np.array(true)
        both = np.corrcoef(short, noises)[0, 1], np.corrcoef(lengths, noises)[0, 1]
        yield f"{name:30}{both[0]:>+26.2f}{both[1]:>+18.2f}{np.exp(short.mean()):>16.3f}"


def age(repeats: int, seed: int) -> Iterator[str]:
    """An hour more of age at a level, and the bias for a life that loads faster than any known."""
    yield f"{'hours left by an hour more':28}{'first third':>12}{'second':>9}{'last':>9}"
    for name in ("alike", "unequal noise", "twin batches", "exponential sites"):
        slopes = [_age_slopes(tuning.BENCHES[name], np.random.default_rng([seed, r])) for r in range(repeats)]
        yield f"{name:28}{_cells(np.mean(slopes, axis=0))}"
    rng = np.random.default_rng(seed)
    lengths = KNOWN_H * np.exp(rng.normal(0, KNOWN_SPREAD, KNOWN))
    forecaster = fit_forecaster([exponential_life(rng, length) for length in lengths])
    yield f"{'life of half the length, at':28}{'look-up':>12}{'prior':>9}{'both':>9}   over the hours left"
    for share in (0.1, 0.2, 0.3, 0.4, 0.5, 0.7):
        biases = [_biases(forecaster, exponential_life(rng, 0.5 * KNOWN_H), share) for _ in range(repeats)]
        yield f"{share:<28}{_cells(np.mean(biases, axis=0))}"


def _cells(values: Array) -> str:
    return "".join(f"{value:>+{width}.2f}" for value, width in zip(values, (12, 9, 9), strict=True))


def _age_slopes(bench: Bench, rng: np.random.Generator) -> Array:
    """Mean over lives, by thirds of the way: hours left by the look-up, the age raised by a hundredth."""
    known, judged = bench(rng, 12)
    learned = _learned(fit_forecaster([as_life(life) for life in known]))
    sums, rows = np.zeros(3), np.zeros(3)
    for life in map(as_life, judged):
        path = trace(life.hours, life.restriction_pa / life.terminal_pa)
        kind = life.kind if life.kind in learned.frame.curves else next(iter(learned.frame.curves))
        seen = learned.frame.seen([path])
        more = 0.01 * seen.hours
        older = replace(seen, hours=seen.hours + more, since_half=seen.since_half + more / 2)
        left, left_older = (learned.frame.hours_left_at(one, kind) for one in (seen, older))
        use = (left > 0) & (left_older > 0) & (np.arange(len(left)) >= 10)
        third = np.clip((3 * learned.progress(path.level)).astype(int), 0, 2)[use]
        sums += np.bincount(third, ((left_older - left) / more)[use], minlength=3)
        rows += np.bincount(third, minlength=3)
    return np.asarray(sums / np.maximum(rows, 1.0))


def _biases(forecaster: Forecaster, life: Life, at: float) -> Array:
    """Forecast minus truth over the truth at a share of the life: look-up, prior, both."""
    learned, share = _learned(forecaster), life.restriction_pa / life.terminal_pa
    path, row = trace(life.hours, share), np.array([int(at * len(life.hours)) - 1])
    truth = life.hours[-1] - life.hours[row]
    both = forecaster.hours_left(life.hours, life.restriction_pa, terminal_pa=life.terminal_pa)[row, 1]
    alone = prior_hours_left(path, share, row, usual=learned.lengths.likely(""))[:, 1]
    guesses = (learned.points(path, share, "", row)[:, 1], alone, both)
    return np.array([float((guess / truth)[0]) - 1.0 for guess in guesses])


def spread(repeats: int, seed: int) -> Iterator[str]:
    """Error and interval with the learned spread of unlabelled lives as it is, and wider."""
    yield f"{'bench':18}{'lives':>6}{'RMSE as it is':>15}{'wider':>8}{'ratio':>8}{'holds':>9}{'wider':>9}"
    for name, counts in LIVES.items():
        for lives in counts:
            error, held = _score(tuning.BENCHES[name], lives, repeats, seed)
            with _wider_lengths():
                tried, tried_held = _score(tuning.BENCHES[name], lives, repeats, seed)
            errors = f"{error:>15.1f}{tried:>8.1f}{tried / error:>8.2f}"
            yield f"{name:18}{lives:>6}{errors}{100 * held:>7.1f} %{100 * tried_held:>7.1f} %"


def _wider_lengths() -> AbstractContextManager[Any]:
    before: Callable[..., tuple[Lengths, list[float]]] = vars(forecast)["learn_lengths"]

    def wider(*given: Any) -> tuple[Lengths, list[float]]:
        found, left_h = before(*given)
        kinds = {
            name: replace(usual, spread=TRIED_FACTOR * usual.spread) if usual.spread > TRIED_SPREAD else usual
            for name, usual in found.kinds.items()
        }
        return replace(found, kinds=kinds), left_h

    return patch.object(forecast, "learn_lengths", wider)


QUESTIONS: Mapping[str, Callable[[int, int], Iterator[str]]] = {
    "unlike": unlike,
    "labels": labels,
    "noise": noise,
    "age": age,
    "spread": spread,
}


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Five questions to the forecast, on made lives.")
    parser.add_argument("questions", nargs="*", metavar="QUESTION", help=f"some of {', '.join(QUESTIONS)}")
    parser.add_argument("--repeats", type=int, default=10)
    parser.add_argument("--seed", type=int, default=50)
    given = parser.parse_args(arguments)
    if unknown := set(given.questions) - set(QUESTIONS):
        parser.error(f"no question {', '.join(sorted(unknown))}")
    for name in given.questions or QUESTIONS:
        print(f"# {name}")
        for line in QUESTIONS[name](given.repeats, given.seed):
            print(line, flush=True)


if __name__ == "__main__":
    main()
