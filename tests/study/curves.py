"""Reads the event files of job folders with the dashboard's own reader, which checks every checksum.

Writes a list as JSON: for each folder the curves by name, each a list of step, wall time in s and value.
"""

import json
import sys
from pathlib import Path

from tensorboard.backend.event_processing.event_accumulator import EventAccumulator
from tensorboard.backend.event_processing.event_file_loader import EventFileLoader


def curves(folder):
    (file,) = Path(folder).glob("events.out.tfevents.*")
    # The loader ends at a checksum that is wrong, so the number of points shows it.
    assert sum(1 for _ in EventFileLoader(str(file)).Load()) > 1, file
    found = EventAccumulator(folder, size_guidance={"scalars": 0})
    found.Reload()
    return {tag: [[p.step, p.wall_time, p.value] for p in found.Scalars(tag)] for tag in found.Tags()["scalars"]}


json.dump([curves(folder) for folder in sys.argv[1:]], sys.stdout)
