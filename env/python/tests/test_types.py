"""The types that are reported are those that are there."""

import importlib.resources
import subprocess
import sys
from pathlib import Path

import pytest

USE = """
import numpy as np
import lowgear
from lowgear._core import Batch

batch = Batch(2, "disabled", False, "training")
reveal_type(batch.observations)
reveal_type(batch.width)
batch.reset(seed=1)
batch.step(np.ones(2, np.int64))
batch.step("up")
many = lowgear.GardenCarts(2)
"""


def test_the_package_says_that_it_has_types():
    package = importlib.resources.files("lowgear")
    assert (package / "py.typed").is_file() and (package / "_core.pyi").is_file()


# What the libraries' own types are has no part in whether names and signatures agree, and takes six times as long to read.
NATIVE = """
[mypy]
[mypy-numpy.*]
follow_imports = skip
[mypy-gymnasium.*]
follow_imports = skip
"""


def test_the_types_of_the_native_part_agree_with_it(tmp_path):
    pytest.importorskip("mypy")
    (tmp_path / "native.ini").write_text(NATIVE)
    words = [sys.executable, "-m", "mypy.stubtest", "lowgear._core", "--mypy-config-file", str(tmp_path / "native.ini")]
    done = subprocess.run(words, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_program_is_checked_against_them(tmp_path):
    pytest.importorskip("mypy")
    (tmp_path / "use.py").write_text(USE)
    # What was read of the libraries is kept in this environment.
    words = [sys.executable, "-m", "mypy", "--cache-dir", str(Path(sys.prefix, "mypy-cache")), "use.py"]
    out = subprocess.run(words, capture_output=True, text=True, cwd=tmp_path).stdout
    lines = [line for line in out.splitlines() if "error:" in line]
    assert len(lines) == 1 and 'incompatible type "str"' in lines[0] and "use.py:11" in lines[0], out
    assert ("float32" in out or "_32Bit" in out) and '"int"' in out, out
