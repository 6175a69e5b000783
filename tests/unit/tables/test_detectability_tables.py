import pytest

from micromeasure.errors import StudyError
from micromeasure.tables.detectability import count_false, read_crack_table, write_table


def written(tmp_path, text, name="cracks.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_hits_are_read(tmp_path):
    table = read_crack_table(written(tmp_path, "specimen,length_um,hit\na,12.5,0\nb,40,1\n"))
    assert table.length_um == (12.5, 40.0)
    assert table.hit == (0.0, 1.0)


def test_an_empty_signal_is_no_signal(tmp_path):
    table = read_crack_table(written(tmp_path, "length_um,signal\n12.5,\n40,3.5\n"))
    assert table.signal[0] != table.signal[0]
    assert table.signal[1] == 3.5


def test_every_fault_is_named_with_its_line(tmp_path):
    path = written(tmp_path, "length_um,hit\n-3,1\n12,yes\n20,2\n")
    with pytest.raises(StudyError) as caught:
        read_crack_table(path)
    assert caught.value.problems == [
        "cracks.csv, line 2, length_um: found '-3'; must be a number above 0.",
        "cracks.csv, line 3, hit: found 'yes'; must be a number.",
        "cracks.csv, line 4, hit: found '2'; must be 0 or 1.",
    ]


def test_missing_columns_and_files_are_named(tmp_path):
    with pytest.raises(StudyError, match="needs length_um and one of hit"):
        read_crack_table(written(tmp_path, "size,found\n1,1\n"))
    with pytest.raises(StudyError, match=r"none\.csv: cannot be read"):
        read_crack_table(tmp_path / "none.csv")


def test_false_candidates_are_counted(tmp_path):
    assert count_false(written(tmp_path, "length_um,true\n30,1\n22,0\n25,0\n")) == 2
    with pytest.raises(StudyError, match="has no column 'true'"):
        count_false(written(tmp_path, "length_um\n30\n"))
    with pytest.raises(StudyError, match="line 2, true: found 'x'"):
        count_false(written(tmp_path, "length_um,true\n30,x\n"))


def test_what_is_written_is_read_again(tmp_path):
    path = tmp_path / "new" / "cracks.csv"
    write_table(
        path, ("length_um", "hit", "score"), [{"length_um": 31.25, "hit": 1, "score": None}]
    )
    assert path.read_text(encoding="utf-8").splitlines()[1] == "31.25,1,"
    assert read_crack_table(path).length_um == (31.25,)
