"""`manage.py analyse`: findings from a file, for anyone without the web."""

import io
import json
import math
import re
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reports.degradation import Interval, Record, compare, specimen_interval

HEADER = "property,direction,arm,specimen,low,high"


def write(tmp_path: Path, *lines: str, header: str = HEADER) -> Path:
    path = tmp_path / "bench.csv"
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path


def analyse(path: Path, *options: str) -> list[dict]:
    out = io.StringIO()
    call_command("analyse", str(path), "--json", *options, stdout=out)
    answer = json.loads(out.getvalue())
    assert set(answer) == {"engine", "findings"}
    return answer["findings"]


def refusal(path: Path, *options: str) -> str:
    out = io.StringIO()
    with pytest.raises(CommandError) as refused:
        call_command("analyse", str(path), "--json", *options, stdout=out)
    assert out.getvalue() == "", "nothing is printed beside a refusal"
    return str(refused.value)


def rows(name: str, direction: str, arm: str, intervals: list[tuple[float, float]]) -> list[str]:
    return [
        f"{name},{direction},{arm},{arm}{n},{low!r},{high!r}"
        for n, (low, high) in enumerate(intervals)
    ]


INF = math.inf
NEW_UPTAKE = [(0.0, 0.3), (0.0, 0.3), (0.3, 0.5), (0.0, 0.3), (0.2, 0.4), (0.4, 0.6)]
USED_UPTAKE = [(y - 0.1, y + 0.1) for y in (2.1, 3.4, 2.8, 2.6, 3.1, 2.5)]
STORIES = {
    "puncture": ("higher", [(2.5, 5.0)] * 3, [(2.5, 5.0)] * 3),
    "water uptake": ("lower", NEW_UPTAKE, USED_UPTAKE),
    "break force": (
        "higher",
        [(y - 0.05, y + 0.05) for y in (22.4, 21.8, 22.9, 22.1)],
        [(y - 0.05, y + 0.05) for y in (16.9, 15.2, 17.8, 16.1)],
    ),
    "stopped early": ("higher", [(9.0, INF), (12.0, INF), (8.0, 8.2)], [(4.0, 4.2), (5.0, 5.1)]),
    "no upper end": ("higher", [(3.0, 3.2), (3.1, 3.3)], [(9.0, INF), (9.5, INF)]),
}


@pytest.mark.parametrize("name", STORIES)
def test_findings_are_those_of_the_comparison_itself(tmp_path: Path, name: str) -> None:
    direction, baseline, other = STORIES[name]
    path = write(
        tmp_path, *rows(name, direction, "new", baseline), *rows(name, direction, "used", other)
    )
    (found,) = analyse(path)
    wanted = compare(
        [Interval(*ends) for ends in baseline],
        [Interval(*ends) for ends in other],
        higher_is_better=direction == "higher",
    )
    assert (found["property"], found["baseline"], found["arm"]) == (name, "new", "used")
    assert found["direction"] == direction
    assert found["retention"] == wanted.retention
    assert found["low"] == (wanted.low or None)
    assert found["high"] == (None if math.isinf(wanted.high) else wanted.high)
    for key in ("verdict", "scope", "scale", "smallest_visible_loss", "n_baseline", "n_other"):
        assert found[key] == getattr(wanted, key)


def test_story_of_the_tethers_has_its_figures(tmp_path: Path) -> None:
    direction, baseline, other = STORIES["break force"]
    path = write(
        tmp_path, *rows("pull", direction, "new", baseline), *rows("pull", direction, "old", other)
    )
    (found,) = analyse(path)
    # direct comparison by t on logarithms, worked out beforehand: 0.74 (0.67 to 0.81)
    assert found["retention"] == pytest.approx(0.74, abs=0.01)
    assert found["low"] == pytest.approx(0.67, abs=0.02)
    assert found["high"] == pytest.approx(0.81, abs=0.02)
    assert found["verdict"] == "clear loss"


def test_one_finding_for_each_property_and_other_arm_in_the_files_order(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        *rows("b", "higher", "new", [(1, 1.1), (1, 1.2)]),
        *rows("a", "lower", "dear", [(2, 2.1), (2, 2.2)]),
        *rows("b", "higher", "short", [(1, 1.1), (1, 1.2)]),
        *rows("b", "higher", "long", [(1, 1.1), (1, 1.2)]),
        *rows("a", "lower", "cheap", [(2, 2.1), (2, 2.2)]),
    )
    found = [(f["property"], f["baseline"], f["arm"]) for f in analyse(path)]
    assert found == [("b", "new", "short"), ("b", "new", "long"), ("a", "dear", "cheap")]


def test_several_rows_of_a_specimen_are_one_specimen(tmp_path: Path) -> None:
    lines = [
        "seam,higher,new,n1,4.0,4.2",
        "seam,higher,new,n1,5.0,5.5",
        "seam,higher,new,n2,4.4,4.6",
        "seam,higher,used,u1,3.0,3.2",
        "seam,higher,used,u2,3.6,3.8",
        "seam,higher,used,u1,2.0,2.5",
    ]
    (found,) = analyse(write(tmp_path, *lines))
    assert (found["n_baseline"], found["n_other"]) == (2, 2)
    # geometric means of the ends, by hand
    n1 = Interval(math.sqrt(4.0 * 5.0), math.sqrt(4.2 * 5.5))
    u1 = Interval(math.sqrt(3.0 * 2.0), math.sqrt(3.2 * 2.5))
    wanted = compare([n1, Interval(4.4, 4.6)], [u1, Interval(3.6, 3.8)])
    assert found["retention"] == pytest.approx(wanted.retention, rel=1e-9)
    assert found["low"] == pytest.approx(wanted.low, rel=1e-9)
    assert specimen_interval([Interval(4.0, 4.2), Interval(5.0, 5.5)]).low == pytest.approx(n1.low)


@pytest.mark.parametrize("written", ["inf", "Inf", "INF", "infinity", ""])
def test_no_upper_end_may_be_written_as_inf_or_left_empty(tmp_path: Path, written: str) -> None:
    lines = [
        *rows("seam", "higher", "new", [(3.0, 3.2), (3.1, 3.3)]),
        f"seam,higher,used,u1,9.0,{written}",
        f"seam,higher,used,u2,9.5,{written}",
    ]
    (found,) = analyse(write(tmp_path, *lines))
    assert found["high"] is None
    assert found["low"] > 1.5
    assert found["verdict"] == "clear gain"


GOOD = ["seam,higher,new,n1,4,4.2", "seam,higher,new,n2,4,4.2"]


@pytest.mark.parametrize(
    ("bad", "column", "says"),
    [
        ("seam,higher,used,u1,four,5", "low", "'four' is not a number"),
        ("seam,higher,used,u1,4,5 J", "high", "'5 J' is not a number"),
        ("seam,higher,used,u1,,5", "low", "empty"),
        ("seam,higher,used,u1,5,4", "low", "must not be above its upper end"),
        ("seam,higher,used,u1,-1,4", "", "cannot be below nothing"),
        ("seam,higher,used,u1,nan,4", "low", "not a number"),
        ("seam,higher,used,u1,1,nan", "high", "not a number"),
        ("seam,higher,used,u1,0,0", "", "detection limit"),
        ("seam,higher,used,u1,inf,inf", "low", "finite"),
        ("seam,upwards,used,u1,4,5", "direction", "'upwards' is neither higher nor lower"),
        ("seam,,used,u1,4,5", "direction", "neither higher nor lower"),
        ("seam,lower,used,u1,4,5", "direction", "was higher earlier for seam"),
        (",higher,used,u1,4,5", "property", "empty"),
        ("seam,higher,,u1,4,5", "arm", "empty"),
        ("seam,higher,used,,4,5", "specimen", "empty"),
    ],
)
def test_a_bad_row_is_named_by_file_line_and_column(
    tmp_path: Path, bad: str, column: str, says: str
) -> None:
    path = write(tmp_path, *GOOD, bad)
    told = refusal(path)
    assert told.startswith(f"{path}, line 4, column {column}")
    assert says in told
    assert "Traceback" not in told


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "columns missing"),
        (b"\n\n", "columns missing"),
        (f"{HEADER}\n".encode(), "the file has no readings"),
        (b"property,direction,arm,specimen,low\nseam,higher,new,n1,4\n", "columns missing: high"),
        (f"{HEADER}\nseam,higher,new,n1,4\n".encode(), "line 2: 5 cells where the header has 6"),
        (f"{HEADER}\nseam,higher,new,n\xe9,4,5\n".encode("latin-1"), "not UTF-8"),
        (f'{HEADER}\nseam,higher,new,"n1,4,5\n'.encode(), "line 2"),
    ],
)
def test_a_file_that_cannot_be_read_is_told_in_words(
    tmp_path: Path, content: bytes, says: str
) -> None:
    path = tmp_path / "bench.csv"
    path.write_bytes(content)
    told = refusal(path)
    assert str(path) in told
    assert says in told


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert "cannot be read" in refusal(tmp_path / "no.csv")


def test_one_arm_alone_is_told_by_its_property(tmp_path: Path) -> None:
    told = refusal(write(tmp_path, *GOOD))
    assert "seam" in told
    assert "only one arm" in told


def test_marks_of_order_blank_lines_and_other_column_orders_are_taken(tmp_path: Path) -> None:
    path = tmp_path / "bench.csv"
    lines = ["high,low,specimen,arm,direction,property,remark"]
    lines += ["4.2,4,n1,new,higher,seam,x", "", "4.3,4.1,n2,new,higher,seam,"]
    lines += ["3.2,3,u1,used,higher,seam,", "3.3,3.1,u2,used,higher,seam,"]
    path.write_bytes(b"\xef\xbb\xbf" + "\r\n".join(lines).encode())
    (found,) = analyse(path)
    assert (found["n_baseline"], found["n_other"]) == (2, 2)


def test_one_specimen_a_side_needs_the_methods_record(tmp_path: Path) -> None:
    path = write(tmp_path, "seam,higher,new,n1,4,4.2", "seam,higher,used,u1,3,3.2")
    (bare,) = analyse(path)
    assert "nothing is claimed" in bare["refusal"]
    assert (bare["low"], bare["high"], bare["verdict"]) == (None, None, "not resolved")
    (known,) = analyse(path, "--record", "0.0025", "20")
    wanted = compare([Interval(4, 4.2)], [Interval(3, 3.2)], record=Record(0.0025, 20))
    assert known["low"] == pytest.approx(wanted.low)
    assert known["scope"] == "these items"


@pytest.mark.parametrize(
    "options",
    [
        ("--level", "1"),
        ("--level", "0"),
        ("--margin", "1.5"),
        ("--margin", "nan"),
        ("--record", "-1", "5"),
        ("--record", "0.01", "0"),
    ],
)
def test_options_out_of_range_are_refused_in_words(tmp_path: Path, options) -> None:
    path = write(tmp_path, *GOOD, "seam,higher,used,u1,3,3.2", "seam,higher,used,u2,3,3.2")
    told = refusal(path, *options)
    assert re.search(r"lie between 0 and 1|must lie between [\d.e+-]+ and [\d.e+-]+, not", told)


def test_level_and_margin_are_heeded(tmp_path: Path) -> None:
    direction, baseline, other = STORIES["break force"]
    path = write(
        tmp_path, *rows("pull", direction, "new", baseline), *rows("pull", direction, "old", other)
    )
    (wide,), (narrow,) = analyse(path, "--level", "0.99"), analyse(path, "--level", "0.8")
    assert wide["low"] < narrow["low"] < narrow["high"] < wide["high"]
    (lenient,) = analyse(path, "--margin", "0.4")
    assert lenient["verdict"] == "some loss"


def test_without_json_each_finding_is_a_line_with_its_interval(tmp_path: Path) -> None:
    direction, baseline, other = STORIES["break force"]
    path = write(
        tmp_path, *rows("pull", direction, "new", baseline), *rows("pull", direction, "old", other)
    )
    out = io.StringIO()
    call_command("analyse", str(path), stdout=out)
    (line,) = out.getvalue().splitlines()
    assert line.startswith("pull, old against new: kept 74")
    assert "95\u00a0% interval" in line
    assert line.endswith("clear loss.")


cells = st.text(alphabet='abc019.,-+"\n\reinfNa ;', max_size=12)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.tuples(cells, cells, cells), max_size=4))
def test_any_text_gives_findings_or_a_sentence(tmp_path: Path, scribbles) -> None:
    used = "seam,higher,used,u0,3,3.2"
    path = write(tmp_path, *GOOD, used, *(f"seam,higher,used,{a},{b},{c}" for a, b, c in scribbles))
    out = io.StringIO()
    told = str(path)
    try:
        call_command("analyse", told, "--json", stdout=out)
    except CommandError as refused:
        told = str(refused)
    found = json.loads(out.getvalue())["findings"] if out.getvalue() else []
    assert str(path) in told
    assert bool(found) == (told == str(path)), "findings or a sentence, never both"


TETHERS = """property,direction,arm,specimen,low,high,exposure
pull,higher,0,a,22.4,22.4,0
pull,higher,0,b,21.8,21.8,0
pull,higher,0,c,22.9,22.9,0
pull,higher,0,d,22.1,22.1,0
pull,higher,120,e,20.6,20.6,120
pull,higher,120,f,19.5,19.5,120
pull,higher,120,g,21.2,21.2,120
pull,higher,120,h,20.1,20.1,120
pull,higher,360,i,16.9,16.9,360
pull,higher,360,j,15.2,15.2,360
pull,higher,360,k,17.8,17.8,360
pull,higher,360,l,16.1,16.1,360
"""


def analysed(tmp_path, text, *options):
    path = tmp_path / "rows.csv"
    path.write_text(text, encoding="utf-8")
    out = io.StringIO()
    call_command("analyse", str(path), "--json", *options, stdout=out)
    return json.loads(out.getvalue())["findings"]


def test_trend_gives_the_figures_of_an_ordinary_line_on_logs(tmp_path):
    # -8.1 % per 100 days (-9.8 to -6.4), lack of fit p = 0.76: ordinary least squares, worked out
    # independently
    (found,) = analysed(tmp_path, TETHERS, "--trend")
    changes = [math.expm1(100 * found[key]) for key in ("slope", "slope_low", "slope_high")]
    assert [round(100 * c, 1) for c in changes] == [-8.1, -9.8, -6.4]
    assert round(found["lack_of_fit_p"], 2) == 0.76


def test_trend_without_exposure_names_the_missing_column(tmp_path):
    text = TETHERS.replace(",exposure", "").replace(",0\n", "\n").replace(",120\n", "\n")
    with pytest.raises(CommandError, match="columns missing: exposure"):
        analysed(tmp_path, text.replace(",360\n", "\n"), "--trend")


def test_trend_names_the_line_of_a_bad_exposure(tmp_path):
    with pytest.raises(CommandError, match=r"line 3, column exposure: '-4' is not a number from 0"):
        analysed(tmp_path, TETHERS.replace("21.8,21.8,0", "21.8,21.8,-4"), "--trend")


def shoes() -> str:
    # Box, Hunter and Hunter, Statistics for Experimenters (1978), section 4.3
    a = (13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3)
    b = (14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6)
    rows = ["property,direction,arm,specimen,low,high,pair"]
    rows += [f"wear,higher,A,a{k},{v},{v},boy {k}" for k, v in enumerate(a)]
    rows += [f"wear,higher,B,b{k},{v},{v},boy {k}" for k, v in enumerate(b)]
    return "\n".join(rows)


def test_pairs_give_the_published_ratio(tmp_path):
    (found,) = analysed(tmp_path, shoes(), "--paired")
    assert found["retention"] == pytest.approx(1.0377543742, rel=1e-9)
    assert (found["low"], found["high"]) == pytest.approx((1.0103561337, 1.0658955839), rel=1e-9)
    assert found["scale"] == "paired"


def test_a_pair_with_one_side_is_named(tmp_path):
    with pytest.raises(CommandError, match="pair boy 9 is not in both A and B"):
        analysed(tmp_path, "\n".join(shoes().splitlines()[:-1]), "--paired")


GRADES = """property,direction,arm,specimen,grade,rater
flame,lower,new,A,1,x
flame,lower,new,A,1,y
flame,lower,new,B,2,x
flame,lower,new,B,2,y
flame,lower,used,E,4,x
flame,lower,used,E,3,y
"""


def test_grades_come_as_medians_and_never_as_means(tmp_path):
    (found,) = analysed(tmp_path, GRADES)
    assert found["kind"] == "grades"
    assert found["retention"] is None
    assert found["grades"]["other"]["median"] == "3 to 4"
    assert found["verdict"] == "not resolved"


def test_a_grade_that_is_no_whole_number_is_named(tmp_path):
    with pytest.raises(CommandError, match=r"line 6, column grade: '3.5' is not a whole number"):
        analysed(tmp_path, GRADES.replace("E,4,x", "E,3.5,x"))


def test_a_rater_grades_a_specimen_once(tmp_path):
    with pytest.raises(CommandError, match="line 7, column rater: x graded this specimen"):
        analysed(tmp_path, GRADES.replace("E,3,y", "E,3,x"))
