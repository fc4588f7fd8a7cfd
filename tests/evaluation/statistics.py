"""Statistics of a comparison with SciPy and, where it is there, rliable.

Usage: python3 statistics.py given.json. The file holds score matrices [training seed][course] named a, b, zero and
plan (small is good), p-values and a number of resamples; the figures go to the standard output as JSON. Formulas:
Agarwal et al. 2021, "Deep Reinforcement Learning at the Edge of the Statistical Precipice"; Holm 1979.
"""

import json
import sys

import numpy as np
from scipy import stats

LEVEL = 0.95


def two_way(mean, sources):
    """Interval and p-value of a mean whose variance has several independent sources (Satterthwaite 1946)."""
    sources = [np.asarray(s) for s in sources if len(s) > 1]
    variances = [stats.sem(s) ** 2 for s in sources]
    total = sum(variances)
    dof = total**2 / sum(v**2 / (len(s) - 1) for v, s in zip(variances, sources))
    low, high = stats.t.interval(LEVEL, dof, loc=mean, scale=np.sqrt(total))
    return low, high, 2 * stats.t.sf(abs(mean) / np.sqrt(total), dof)


def improvement(a, b):
    """Share of seed pairs and courses on which a is lower, ties half: a Mann-Whitney U per course."""
    statistic = stats.mannwhitneyu(b, a, axis=0, method="asymptotic").statistic
    return np.mean(statistic) / (len(a) * len(b))


def cvar(a):
    flat = np.sort(a, axis=None)
    return np.mean(flat[-round(0.05 * flat.size):])


def tail(a):
    """Mean of the worst 5 % of all pairs, the one on the cut in part."""
    flat, left, total = np.sort(a, axis=None)[::-1], 0.05 * a.size, 0.0
    for value in flat:
        total, left = total + min(1.0, left) * value, left - 1.0
        if left <= 0.0:
            break
    return total / (0.05 * a.size)


def iqm(a):
    """Interquartile mean, values on the cuts in part."""
    flat, n = np.sort(a, axis=None), a.size
    ranks = np.arange(n)
    return np.average(flat, weights=np.clip(np.minimum(ranks + 1, 0.75 * n) - np.maximum(ranks, 0.25 * n), 0, None))


def jackknife(figure, seeds, others, courses, tail_dof=None):
    """Two-way delete-one jackknife with Student's quantile; a figure of the tail is centred on its unbiased value."""
    sizes = [courses, seeds, others]

    def at(source=None, member=None):
        c, s, t = (np.delete(np.arange(n), member) if i == source else np.arange(n) for i, n in enumerate(sizes))
        return figure(s, t, c)

    point, bias, variances, dofs = at(), 0.0, [], []
    for source, n in enumerate(sizes):
        if n > 1:
            without = np.array([at(source, member) for member in range(n)])
            variances.append((n - 1) ** 2 / n * np.var(without, ddof=1))
            dofs.append(tail_dof if tail_dof and source == 0 else n - 1)
            bias += (n - 1) * (without.mean() - point)
    total = sum(variances)
    dof = total**2 / sum(v**2 / d for v, d in zip(variances, dofs))
    centre = point - bias if tail_dof else point
    return stats.t.interval(LEVEL, dof, loc=centre, scale=np.sqrt(total))


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        given = json.load(file)
    a, b, zero, plan = (np.array(given[key]) for key in ("a", "b", "zero", "plan"))
    found = {"mean": a.mean(), "iqm": iqm(a), "cvar": cvar(a), "improvement": improvement(a, b)}
    found["t_quantile"] = stats.t.ppf(0.975, 3.7)
    found["mean_low"], found["mean_high"], _ = two_way(a.mean(), [a.mean(axis=0), a.mean(axis=1)])
    found["difference_low"], found["difference_high"], found["difference_p"] = two_way(
        a.mean() - b.mean(), [a.mean(axis=0) - b.mean(axis=0), a.mean(axis=1), b.mean(axis=1)]
    )
    single = stats.ttest_rel(zero[0], plan[0])
    found["single_p"] = single.pvalue
    found["single_low"], found["single_high"] = single.confidence_interval(LEVEL)

    def gap(a, zero, plan):
        return (zero.mean() - a.mean()) / (zero.mean() - plan.mean())

    found["gap"] = gap(a, zero, plan)
    p = np.array(given["p"])
    order = np.argsort(p)
    corrected = np.minimum(1, np.maximum.accumulate((len(p) - np.arange(len(p))) * p[order]))
    for place, index in enumerate(order):
        found[f"holm_{index}"] = corrected[place]

    wins = np.array([[(x < y) + 0.5 * (x == y) for y in b] for x in a])
    figures = {
        "improvement": (lambda s, t, c: wins[np.ix_(s, t, c)].mean(), len(b), None),
        "iqm": (lambda s, t, c: iqm(a[np.ix_(s, c)]), 1, None),
        "gap": (lambda s, t, c: gap(a[np.ix_(s, c)], zero[:, c], plan[:, c]), 1, None),
        "cvar": (lambda s, t, c: tail(a[np.ix_(s, c)]), 1, 0.5 * 0.05 * a.shape[1]),
    }
    for key, (figure, others, tail_dof) in figures.items():
        interval = jackknife(figure, len(a), others, a.shape[1], tail_dof)
        found[f"{key}_low"], found[f"{key}_high"] = np.clip(interval, 0, 1) if key == "improvement" else interval

    # Seeds of each arm and courses are drawn with replacement, the courses alike for both arms.
    rng = np.random.default_rng(1)
    drawn = []
    for _ in range(given["resamples"] // 4):
        courses = rng.integers(0, a.shape[1], a.shape[1])
        rows, others = rng.integers(0, len(a), len(a)), rng.integers(0, len(b), len(b))
        drawn.append(a[np.ix_(rows, courses)].mean() - b[np.ix_(others, courses)].mean())
    found["bootstrap_low"], found["bootstrap_high"] = np.quantile(drawn, [0.025, 0.975])

    try:
        from rliable import metrics

        found["rliable_iqm"] = metrics.aggregate_iqm(a)
        found["rliable_improvement"] = metrics.probability_of_improvement(-a, -b)
    except ImportError:
        pass
    json.dump({key: float(value) for key, value in found.items()}, sys.stdout)


if __name__ == "__main__":
    main()
