"""Errors of both methods by well, against the simulated plant's truth.

    .venv/bin/python -m tests.bench.well_errors [DAYS] [SEED ...]

For each well: root of the mean square error of a single pump's flow (each drawdown by the pairwise
method, each stop by the estimator; a stop after both ran is left out) and of the daily inflow
(pairwise: run time times the newest flow of the set that ran; estimator: its own total), in per
cent, the first two days left out; and how often the truth lay within two standard errors.
"""

from __future__ import annotations

import sys
from math import sqrt

from tests.simulation.watched_wells import Watched, true_flow_m3_s, watch

SETTLING_DAYS = 2


def root_mean_square(errors: list[float]) -> float:
    """Of relative errors, in per cent."""
    return 100.0 * sqrt(sum(error * error for error in errors) / len(errors))


def inflow_errors(found: Watched, well: str) -> tuple[list[float], list[float]]:
    """Relative errors of the daily inflow: pairwise, estimator."""
    paired, looks = found.paired[well].days_m3, found.looks[well]
    by_pairs, estimated = [], []
    for day in range(SETTLING_DAYS, found.days):
        true = found.days_in_m3[well][day]
        by_pairs.append((paired[day] - paired[day - 1]) / true - 1.0)
        totals = [looks[k].inflow_total_m3.value for k in (day - 1, day)]
        estimated.append((totals[1] - totals[0]) / true - 1.0)
    return by_pairs, estimated


def flow_errors(found: Watched, well: str) -> tuple[list[float], list[float], float]:
    """Relative errors of single pumps' flows: pairwise, estimator; and share of honest bounds."""
    by_pairs, estimated, held, count = [], [], 0, 0
    for pump in found.wells[well].pump_names:
        true = true_flow_m3_s(found.wells, well, pump)
        flows = found.paired[well].flows_m3_s.get(pump, [])
        by_pairs += [flow / true - 1.0 for flow in flows[_settling(len(flows), found.days) :]]
        stops = found.stops.get(pump, [])
        for figure in stops[_settling(len(stops), found.days) :]:
            if abs(figure.value / true - 1.0) < 0.3:  # a run in company is another thing
                estimated.append(figure.value / true - 1.0)
                held += abs(figure.value - true) <= 2.0 * figure.error
                count += 1
    return by_pairs, estimated, held / max(1, count)


def _settling(count: int, days: int) -> int:
    return count * SETTLING_DAYS // days


def main(days: int, seeds: list[int]) -> None:
    """Print the table."""
    print(f"{days} days; root mean square errors in per cent")
    print(f"{'seed':>4} {'well':<14}{'flow pairs':>11}{'estim.':>8}{'inflow pairs':>14}"
          f"{'estim.':>8}{'worst':>7}{'held':>7}")  # fmt: skip
    for seed in seeds:
        found = watch(seed, days)
        for well in found.wells:
            flow_pairs, flow_estimated, held = flow_errors(found, well)
            in_pairs, in_estimated = inflow_errors(found, well)
            print(
                f"{seed:>4} {well:<14}{root_mean_square(flow_pairs):>11.2f}"
                f"{root_mean_square(flow_estimated):>8.2f}{root_mean_square(in_pairs):>14.2f}"
                f"{root_mean_square(in_estimated):>8.2f}"
                f"{100.0 * max(abs(error) for error in in_estimated):>7.2f}{100.0 * held:>6.0f}%"
            )  # fmt: skip


if __name__ == "__main__":
    asked = [int(word) for word in sys.argv[1:]] or [30]
    main(asked[0], asked[1:] or [11, 12, 13])
