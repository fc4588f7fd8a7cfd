"""The command and the module live in the same world: the same bits, the same words."""

import csv

import pytest

import lowgear

NUMBER = {"down": 0, "hold": 1, "up": 2}


def rows_of(command, study, folder, *words):
    """The trace of an episode: its ticks, and which of them followed a decision."""
    ran = command("drive", study, "--out", folder, *words)
    assert ran.code == 0, ran.err
    with open(folder / "trace.csv") as file:
        rows = list(csv.DictReader(file))
    return rows, [i for i, row in enumerate(rows) if row["request"]]


@pytest.mark.parametrize("study", ["demo", "compost-tractor", "watering-barrow"])
def test_the_same_actions_give_the_trace_of_the_command_bit_for_bit(command, configs, tmp_path, study):
    file = configs / "studies" / f"{study}.toml"
    env = lowgear.GardenCart(study=file, split="test")
    for episode in (0, 3):
        rows, asked = rows_of(command, file, tmp_path, "--episode", episode)
        observation, info = env.reset(options={"episode": episode})
        # A decision's step ends with the tick before the next decision.
        ends = [i - 1 for i in asked[1:]] + [len(rows) - 1]
        assert len(asked) > 100
        for start, end in zip(asked, ends):
            observation, _, terminated, truncated, info = env.step(NUMBER[rows[start]["request"]])
            row = rows[end]
            for key in ("time_s", "position_m", "speed_m_s", "return_s"):
                assert info[key] == float(row[key]), (key, row["time_s"])
            seen = [row[f"{name}_permille"] for name in ("speed_ratio", "load_slow", "load_peak")]
            assert [*observation[2:5], observation[5]] == [*map(int, seen), int(row["tilt_filtered_ddeg"])]
            assert observation[0] == int(row["gear"]) - 1
            assert (terminated or truncated) == (end == len(rows) - 1)


def test_the_demonstration_without_files_is_the_demonstration(configs):
    env, from_file = lowgear.GardenCart(), lowgear.GardenCart(study=configs / "studies" / "demo.toml")
    env.reset(), from_file.reset()
    for _ in range(200):
        a, b = env.step(1), from_file.step(1)
        assert (a[0] == b[0]).all() and a[1] == b[1]


MISTAKES = [
    ("vehicles/demo-cart.toml", "vehicle", ("mass-kg =", "mass-kg = -1.0 #")),
    ("vehicles/demo-cart.toml", "vehicle", ("mass-kg =", "mass-kg = 'heavy' #")),
    ("vehicles/demo-cart.toml", "vehicle", ("mass-kg =", "mas-kg =")),
    ("courses/garden-mix.toml", "course", ("length-m =", "length-m = -3.0 #")),
]


@pytest.mark.parametrize("path, kind, change", MISTAKES)
def test_a_mistake_in_a_file_is_told_as_the_command_tells_it(command, configs, tmp_path, path, kind, change):
    text = (configs / path).read_text()
    assert change[0] in text
    file = tmp_path / "wrong.toml"
    file.write_text(text.replace(*change))
    said = command("check", file, "--kind", kind).err.removeprefix("error: ").strip()
    assert said
    with pytest.raises(ValueError) as caught:
        lowgear.GardenCart(**{kind: file})
    assert str(caught.value).strip() == said
    env = lowgear.GardenCart()
    with pytest.raises(ValueError) as caught:
        env.reset(options={kind: str(file)})
    assert str(caught.value).strip() == said
    env.reset(), env.step(1)


def test_a_wrong_study_is_told_as_the_command_tells_it(command, configs, tmp_path):
    text = (configs / "studies" / "demo.toml").read_text().replace("../", f"{configs.as_posix()}/")
    for change in [("time-limit-s = 600.0", "time-limit-s = 0.0"), ("abort-s = 100.0", "abort-s = nan")]:
        assert change[0] in text
        file = tmp_path / "wrong.toml"
        file.write_text(text.replace(*change))
        said = command("check", file).err.removeprefix("error: ").strip()
        with pytest.raises(ValueError) as caught:
            lowgear.GardenCart(study=file)
        assert str(caught.value).strip() == said != ""
