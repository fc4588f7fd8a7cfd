"""Power of the paired t test and the likelihood ratio of a trial, with SciPy.

Usage: python3 trial.py given.json. `power` holds [pairs, effect, error], `ratio` holds [t, pairs]; the figures go to the
standard output as JSON. The ratio is the definition itself: the density of a noncentral t over that of a central one,
averaged over a half-normal effect.
"""

import json
import sys

import numpy as np
from scipy import integrate, stats


def power(pairs, effect, error):
    dof = pairs - 1
    return stats.nct.sf(stats.t.ppf(1 - error, dof), dof, effect * np.sqrt(pairs))


def ratio(t, pairs):
    dof = pairs - 1
    here = stats.t.pdf(t, dof)

    def above(effect):
        return 2 * stats.norm.pdf(effect) * stats.nct.pdf(t, dof, effect * np.sqrt(pairs)) / here

    return integrate.quad(above, 0, 8, epsabs=1e-12, epsrel=1e-9, limit=200)[0]


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        given = json.load(file)
    found = {"power": [power(*row) for row in given["power"]], "ratio": [ratio(*row) for row in given["ratio"]]}
    json.dump(found, sys.stdout)


if __name__ == "__main__":
    main()
