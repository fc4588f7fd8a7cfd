"""Worlds in a process that was forked: threads do not live on there."""

import subprocess
import sys

FORKED = """
import os, signal, sys, warnings
import numpy as np, lowgear
warnings.simplefilter("ignore")
def sums(many):
    many.reset(seed=3)
    return sum(float(many.step(np.full(256, 2 * (k % 9 == 0), np.int64))[1].sum()) for k in range(40))
many = lowgear.GardenCarts(256)
expected = sums(many)  # the threads are there now
child = os.fork()
if child == 0:
    signal.alarm(60)
    old, new = sums(many), sums(lowgear.GardenCarts(256))
    os._exit(0 if old == new == expected else 3)
status = os.waitpid(child, 0)[1]
assert sums(many) == expected, "the parent goes on"
sys.exit(os.waitstatus_to_exitcode(status) % 256)
"""


def test_a_forked_process_steps_as_its_parent_does():
    done = subprocess.run([sys.executable, "-c", FORKED], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr


POOL = """
import multiprocessing, sys, warnings
import numpy as np, lowgear
warnings.simplefilter("ignore")
def one(seed):
    many = lowgear.GardenCarts(64)
    many.reset(seed=seed)
    return float(many.step(np.ones(64, np.int64))[1].sum())
if __name__ == "__main__":
    here = [one(seed) for seed in (1, 2, 3)]
    with multiprocessing.get_context("fork").Pool(2) as pool:
        there = pool.map_async(one, (1, 2, 3)).get(timeout=60)
    sys.exit(here != there)
"""


def test_a_pool_of_forked_processes_works():
    done = subprocess.run([sys.executable, "-c", POOL], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
