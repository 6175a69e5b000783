import csv

import numpy as np
import pytest

from micromeasure.cli.main import main
from micromeasure.reference.detectability_set import SearchedView


@pytest.fixture
def cracks(tmp_path):
    rng = np.random.default_rng(4)
    length = np.exp(rng.uniform(2.5, 5.3, 120))
    hit = rng.random(120) < 1 / (1 + np.exp(-4 * (np.log(length) - 3.5)))
    path = tmp_path / "cracks.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["length_um", "hit"])
        writer.writerows([f"{a:.2f}", int(h)] for a, h in zip(length, hit, strict=True))
    return path


def figures(folder):
    with (folder / "detectability.csv").open(encoding="utf-8", newline="") as file:
        return {row["statistic"]: row["value"] for row in csv.DictReader(file)}


def test_a_table_gives_figures_curve_plot_and_a_caution(cracks, tmp_path, capsys):
    out = tmp_path / "pod"
    assert main(["detectability", str(cracks), "--out", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "a90/95:" in shown
    assert "qualified inspection under the applicable code" in shown
    found = figures(out)
    assert float(found["a50"]) < float(found["a90"]) < float(found["a90/95"])
    assert (out / "pod.svg").stat().st_size > 1000
    assert len((out / "pod.csv").read_text(encoding="utf-8").splitlines()) == 121


def test_candidates_and_area_give_the_false_rate(cracks, tmp_path):
    candidates = tmp_path / "candidates.csv"
    candidates.write_text("length_um,true\n30,1\n25,0\n28,0\n", encoding="utf-8")
    out = tmp_path / "pod"
    asked = ["detectability", str(cracks), "--candidates", str(candidates), "--area-mm2", "4"]
    assert main([*asked, "--out", str(out)]) == 0
    assert float(figures(out)["false_per_area"]) == 0.5


def test_signals_need_a_decision_level(tmp_path, capsys):
    path = tmp_path / "signals.csv"
    rng = np.random.default_rng(1)
    length = np.exp(rng.uniform(2.5, 5.0, 60))
    signal = np.exp(np.log(length) + rng.normal(0, 0.3, 60))
    lines = [f"{a:.3f},{s:.3f}" for a, s in zip(length, signal, strict=True)]
    path.write_text("length_um,signal\n" + "\n".join(lines) + "\n", encoding="utf-8")
    assert main(["detectability", str(path), "--out", str(tmp_path / "a")]) == 2
    assert "--decision" in capsys.readouterr().err
    asked = ["detectability", str(path), "--decision", "40", "--out", str(tmp_path / "b")]
    assert main(asked) == 0
    assert float(figures(tmp_path / "b")["a50"]) == pytest.approx(40, rel=0.15)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ([], "either a table of cracks or --render"),
        (["--render", "5"], "--um-per-px and the blur --blur-um"),
        (["--render", "-5", "--um-per-px", "1", "--blur-um", "1"], "above 0"),
        (["CRACKS", "--area-mm2", "4"], "belong together"),
    ],
)
def test_wrong_requests_write_nothing(asked, words, cracks, tmp_path, capsys):
    asked = [str(cracks) if item == "CRACKS" else item for item in asked]
    assert main(["detectability", *asked, "--out", str(tmp_path / "out")]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_set_is_rendered_with_the_laboratorys_own_figures(tmp_path, monkeypatch):
    asked_for = []

    def search_set(wanted, settings, *, views, seed):
        asked_for.append((wanted, settings, views, seed))
        rng = np.random.default_rng(seed)
        for number in range(views):
            length = float(np.exp(rng.uniform(2.5, 5.0)))
            hit = int(rng.random() < 1 / (1 + np.exp(-4 * (np.log(length) - 3.5))))
            crack = {"image": f"v{number}", "length_um": length, "hit": hit}
            found = {"image": f"v{number}", "length_um": 30.0, "score": 0.6, "true": 0}
            yield SearchedView(cracks=[crack], candidates=[found], area_mm2=0.25)

    monkeypatch.setattr("micromeasure.reference.detectability_set.search_set", search_set)
    out = tmp_path / "own"
    asked = ["--render", "80", "--um-per-px", "0.5", "--blur-um", "0.7", "--width-um", "1.5"]
    assert main(["detectability", *asked, "--out", str(out), "--seed", "3"]) == 0
    ((wanted, settings, views, seed),) = asked_for
    assert (wanted.um_per_px, wanted.blur_um, wanted.width_um) == ((0.5, 0.5), 0.7, 1.5)
    assert (settings.min_length_um, views, seed) == (8.0, 80, 3)
    with (out / "cracks.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.DictReader(file))) == 80
    assert float(figures(out)["area"]) == pytest.approx(20.0)
    assert float(figures(out)["false_per_area"]) == pytest.approx(4.0)
