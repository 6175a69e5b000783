import subprocess
import sys

import pytest

from micromeasure.cli.main import COMMANDS, main, missing_part

HEAVY = ("napari", "qtpy", "pandas", "scipy", "matplotlib", "dask", "statsmodels", "cv2", "numpy")


def test_help_imports_nothing_heavy():
    code = (
        "import sys\n"
        "from micromeasure.cli.main import build_parser\n"
        "build_parser().format_help()\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_help_names_every_command(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["--help"])
    assert stop.value.code == 0
    text = capsys.readouterr().out
    for command in ("calibrate", "check", "run", "compare", "report", "verify"):
        assert command in text


def test_a_wrong_request_is_one_sentence_and_status_2(tmp_path, capsys):
    assert main(["check", str(tmp_path)]) == 2
    captured = capsys.readouterr()
    assert "no such study file" in captured.err
    assert "Traceback" not in captured.err


def test_debug_shows_where_an_error_arose(tmp_path):
    from micromeasure.errors import StudyError

    with pytest.raises(StudyError):
        main(["--debug", "check", str(tmp_path)])


def test_a_missing_system_library_is_named_with_its_cure():
    error = ImportError("libGL.so.1: cannot open shared object file: No such file or directory")
    sentence = str(missing_part(error))
    assert "libGL.so.1 is missing" in sentence
    assert "apt-get install libgl1 libglib2.0-0" in sentence
    assert "install micromeasure again" in str(missing_part(ImportError("No module named 'x'")))


def test_import_errors_reach_the_user_as_a_sentence(monkeypatch, capsys, tmp_path):
    def broken(path):
        raise ImportError("libGL.so.1: cannot open shared object file")  # noqa: EM101  # as Python does

    monkeypatch.setattr("micromeasure.study.load.examine_study", broken)
    assert main(["check", str(tmp_path)]) == 2
    assert "libGL.so.1 is missing" in capsys.readouterr().err


def test_an_unforeseen_fault_is_a_sentence_too(monkeypatch, capsys, tmp_path):
    def broken(path):
        raise ZeroDivisionError

    monkeypatch.setattr("micromeasure.study.load.examine_study", broken)
    assert main(["check", str(tmp_path)]) == 2
    captured = capsys.readouterr()
    assert "fault in the program (ZeroDivisionError" in captured.err
    assert "Traceback" not in captured.err


def test_environment_lists_versions(capsys):
    assert main(["environment"]) == 0
    assert "opencv-python 5" in capsys.readouterr().out


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name, capsys):
    with pytest.raises(SystemExit) as stop:
        main([name.replace("_", "-"), "--help"])
    assert stop.value.code == 0
    assert capsys.readouterr().out.startswith(f"usage: micromeasure {name.replace('_', '-')}")
