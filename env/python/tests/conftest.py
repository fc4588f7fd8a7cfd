"""Where the repository and the command are."""

import os
import subprocess
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[3]


class Ran:
    """What a command came to."""

    def __init__(self, done):
        self.code, self.out, self.err = done.returncode, done.stdout, done.stderr


@pytest.fixture(scope="session")
def configs():
    return REPOSITORY / "configs"


@pytest.fixture(scope="session")
def tiny():
    """A study with budgets of seconds."""
    return REPOSITORY / "tests" / "study" / "tiny.toml"


@pytest.fixture(scope="session")
def command():
    """The command, as a function of its words. `LOWGEAR_BINARY` says where it is, if not at its usual place."""
    binary = Path(os.environ.get("LOWGEAR_BINARY", REPOSITORY / "target" / "release" / "lowgear"))
    if not binary.exists():
        if os.environ.get("CI"):
            pytest.fail(f"{binary} is missing")
        pytest.skip(f"{binary} is missing: build it with cargo build --release, or set LOWGEAR_BINARY")

    def run(*words):
        return Ran(subprocess.run([binary, *map(str, words)], capture_output=True, text=True))

    run.binary = binary
    return run
