"""Data packages: valid by the standard's own validator, safe, the same bytes, and verifiable."""

import csv
import hashlib
import io
import json
import zipfile
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from reports.models import Edition
from reports.packages import (
    LARGEST_FILE_BYTES,
    changed_files,
    package_files,
    package_zip,
    read_package,
)
from reports.verification import CannotVerify
from tests.reports.demo_site import AGES, PAIR, PRICES
from trials.models import Reading

pytestmark = pytest.mark.usefixtures("demo")
ALL = [AGES, PAIR, PRICES]


def edition_of(slug: str) -> Edition:
    return Edition.objects.get(study__slug=slug, number=1)


def files_of(slug: str) -> dict[str, bytes]:
    edition = edition_of(slug)
    return package_files(edition.content, digest=edition.digest)


def written(files: dict[str, bytes], folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return folder


def rows_of(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


def with_changed_cell(data: bytes, row: int, column: str, value: str) -> bytes:
    rows = list(csv.reader(io.StringIO(data.decode(), newline="")))
    rows[row + 1][rows[0].index(column)] = value
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows(rows)
    return out.getvalue().encode()


def with_true_hashes(files: dict[str, bytes]) -> dict[str, bytes]:
    """The files with a descriptor that vouches for them, as a careful forger would."""
    descriptor = json.loads(files["datapackage.json"])
    for one in descriptor["resources"]:
        data = files[one["path"]]
        one["bytes"] = len(data)
        one["hash"] = f"sha256:{hashlib.sha256(data).hexdigest()}"
    return files | {"datapackage.json": json.dumps(descriptor).encode()}


def frictionless_faults(folder: Path) -> list[str]:
    """What frictionless, the Data Package standard's reference validator, finds wrong."""
    import frictionless

    report = frictionless.validate(str(folder / "datapackage.json"))
    return [] if report.valid else [str(error) for error in report.flatten(["type", "message"])]


# --- the standard ------------------------------------------------------------------------------


@pytest.mark.parametrize("slug", ALL)
def test_every_package_is_valid_for_the_standards_own_validator(slug: str, tmp_path: Path) -> None:
    folder = written(files_of(slug), tmp_path / "package")
    assert frictionless_faults(folder) == []


def test_the_validator_would_see_a_wrong_cell_and_a_wrong_key(tmp_path: Path) -> None:
    files = files_of(PAIR)
    wrong = files | {
        "readings.csv": with_changed_cell(files["readings.csv"], 0, "low", "much"),
        "service.csv": with_changed_cell(files["service.csv"], 0, "specimen", "ZZZZZ"),
    }
    faults = " ".join(frictionless_faults(written(with_true_hashes(wrong), tmp_path / "wrong")))
    assert "type-error" in faults
    assert "foreign-key" in faults


def test_the_descriptor_says_what_data_package_2_asks_for() -> None:
    # https://datapackage.org/standard/data-package/ (version 2.0), read there
    descriptor = json.loads(files_of(PAIR)["datapackage.json"])
    assert descriptor["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert descriptor["resources"]
    for one in descriptor["resources"]:
        assert one["name"] == one["name"].lower()
        assert not one["path"].startswith(("/", ".."))
    (licence,) = descriptor["licenses"]
    assert licence["name"] == "CC-BY-4.0"
    assert licence["path"] == "https://creativecommons.org/licenses/by/4.0/"
    names = {one["name"] for one in descriptor["resources"]}
    assert names >= {"readings", "specimens", "service", "methods", "findings"}


def test_the_same_edition_gives_the_same_bytes() -> None:
    first, second = package_zip(files_of(AGES)), package_zip(files_of(AGES))
    assert first == second
    with zipfile.ZipFile(io.BytesIO(first)) as packed:
        assert packed.testzip() is None
        assert {one.date_time for one in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}


# --- what is in it -----------------------------------------------------------------------------


@pytest.mark.parametrize("slug", ALL)
def test_every_reading_of_the_database_is_in_it(slug: str) -> None:
    told = sorted(
        (row["specimen"], row["method"], row["low"], row["high"], row["grade"])
        for row in rows_of(files_of(slug)["readings.csv"])
    )
    stored = sorted(
        (
            r.run.specimen.code,
            r.run.revision.method.key,
            "" if r.low is None else repr(r.low),
            "" if r.high is None else repr(r.high),
            "" if r.grade is None else str(r.grade),
        )
        for r in Reading.objects.filter(run__study__slug=slug).select_related(
            "run__specimen", "run__revision__method"
        )
    )
    assert told == stored
    assert told


def test_no_name_of_a_rater_or_an_owner_is_in_it() -> None:
    readings = Reading.objects.filter(run__study__slug=PAIR).exclude(rater="")
    everything = b"".join(files_of(PAIR).values()).decode()
    assert readings.exists()
    for reading in readings.select_related("run__specimen"):
        alias = reading.run.specimen.owner_alias
        assert not alias or alias not in everything
    assert "rater A" in everything


def test_no_cell_is_taken_for_a_formula() -> None:
    edition = edition_of(PAIR)
    content = json.loads(json.dumps(edition.content))
    for arm in content["arms"]:
        for one in arm["specimens"]:
            one["condition"] = "=HYPERLINK(1)"
            one["maker"] = "@maker"
            one["lot"] = "-2+3"
    content["readings"][0]["reason"] = "+cmd|' /C calc'!A0"
    content["findings"][0]["refusal"] = "\t=1"
    files = package_files(content, digest="0")
    for name, data in files.items():
        if not name.endswith(".csv"):
            continue
        for row in rows_of(data):
            for value in row.values():
                if value[:1] in ("=", "+", "-", "@", "\t", "\r"):
                    float(value)  # only numbers may begin so
    assert "'=HYPERLINK(1)" in files["specimens.csv"].decode()


def test_the_readme_carries_the_question_the_cautions_and_the_licence() -> None:
    edition = edition_of(PAIR)
    readme = files_of(PAIR)["README.md"].decode()
    assert edition.content["study"]["question"] in readme
    for caution in edition.content["cautions"]:
        assert caution["full"] in readme
    assert "Creative Commons Attribution 4.0" in readme
    assert "python manage.py verify" in readme


def test_an_edition_from_before_inputs_were_kept_still_has_its_tables() -> None:
    edition = edition_of(PAIR)
    old = {k: v for k, v in edition.content.items() if k not in ("analysis", "licence")}
    files = package_files(old, digest=edition.digest)
    assert {"readings.csv", "findings.csv", "specimens.csv"} <= files.keys()
    assert "intervals.csv" not in files
    assert "no licence stated" in files["README.md"].decode()


# --- verify ------------------------------------------------------------------------------------


def verify(what: object) -> str:
    out = io.StringIO()
    call_command("verify", str(what), stdout=out)
    return out.getvalue()


def refusal(what: object) -> tuple[str, str]:
    out = io.StringIO()
    with pytest.raises(CommandError) as caught:
        call_command("verify", str(what), stdout=out)
    return out.getvalue(), str(caught.value)


@pytest.mark.parametrize("slug", ALL)
def test_an_edition_follows_from_its_data(slug: str, tmp_path: Path) -> None:
    told = verify(slug)
    assert "DIFFERS" not in told
    assert "checks are equal" in told
    # and what it cannot work out it says
    assert "taken   as published, not worked out again: the step from each entry" in told
    packed = tmp_path / "package.zip"
    packed.write_bytes(Client().get(f"/scorecards/{slug}/1/package.zip").content)
    assert verify(packed).count("\n") == told.count("\n")


def test_a_changed_reading_is_found(tmp_path: Path) -> None:
    files = files_of(AGES)
    changed = files | {"readings.csv": with_changed_cell(files["readings.csv"], 3, "low", "0.001")}
    folder = written(with_true_hashes(changed), tmp_path / "changed")
    told, why = refusal(folder)
    specimen = rows_of(files["readings.csv"])[3]["specimen"]
    assert "DIFFERS readings of" in told
    assert specimen in told
    assert "1 of 30 checks differ" in why


def test_a_changed_finding_is_found(tmp_path: Path) -> None:
    files = files_of(AGES)
    row = next(k for k, r in enumerate(rows_of(files["findings.csv"])) if r["retention"])
    changed = with_changed_cell(files["findings.csv"], row, "retention", "0.999")
    folder = written(with_true_hashes(files | {"findings.csv": changed}), tmp_path / "changed")
    told, _ = refusal(folder)
    assert "retention: published 0.999, worked out 0." in told


def test_changed_inputs_change_the_findings_and_the_digest(tmp_path: Path) -> None:
    files = files_of(PRICES)
    analysis = json.loads(files["analysis.json"])
    heat = next(m for m in analysis["analysis"]["inputs"]["methods"] if m["key"] == "contact-heat")
    bound = heat["arms"][1]["specimens"][0]["bounds"][0]
    bound["low"] = bound["low"] * 0.5
    changed = files | {"analysis.json": json.dumps(analysis).encode()}
    told, _ = refusal(written(with_true_hashes(changed), tmp_path / "changed"))
    assert "DIFFERS the inputs' digest" in told
    assert "DIFFERS readings of contact heat resistance" in told
    assert "DIFFERS contact heat resistance" in told


def test_a_file_that_is_not_as_published_is_named(tmp_path: Path) -> None:
    files = files_of(PAIR) | {"methods.csv": b"method\r\n"}
    folder = written(files, tmp_path / "changed")
    assert changed_files(folder) == ["methods.csv"]
    told, _ = refusal(folder)
    assert "methods.csv is not as published" in told


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("analysis.json", b"not json"),
        ("analysis.json", b"[]"),
        ("analysis.json", b'{"format": 99}'),
        ("analysis.json", b"\xff\xfe"),
        ("readings.csv", b"\xff"),
        ("readings.csv", b"number\r\n1\r\n"),
        ("datapackage.json", b"{}"),
    ],
)
def test_a_broken_package_is_refused_in_a_sentence(name: str, data: bytes, tmp_path: Path) -> None:
    folder = written(files_of(PAIR) | {name: data}, tmp_path / "broken")
    _, why = refusal(folder)
    assert name in why


def test_inputs_with_parts_missing_are_refused_in_a_sentence(tmp_path: Path) -> None:
    files = files_of(PAIR)
    for spoil in ("methods", "level"):
        analysis = json.loads(files["analysis.json"])
        del analysis["analysis"]["inputs"][spoil]
        changed = files | {"analysis.json": json.dumps(analysis).encode()}
        _, why = refusal(written(changed, tmp_path / spoil))
        assert "not whole" in why
    analysis = json.loads(files["analysis.json"])
    analysis["analysis"]["inputs"]["invented"] = 1
    changed = files | {"analysis.json": json.dumps(analysis).encode()}
    _, why = refusal(written(changed, tmp_path / "newer"))
    assert "A newer version" in why


def test_a_zip_that_would_fill_the_memory_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("datapackage.json", "{}")
        packed.writestr("analysis.json", b"0" * (LARGEST_FILE_BYTES + 1))
    with pytest.raises(CannotVerify, match="larger than 64 MB"):
        read_package(path)


def test_what_is_neither_package_nor_edition_is_refused(tmp_path: Path) -> None:
    text = tmp_path / "text.zip"
    text.write_text("hello")
    assert "cannot be read as a package" in refusal(text)[1]
    assert "neither a package" in refusal("nothing-here")[1]
    assert "neither a package" in refusal(f"{PAIR}/99")[1]


# --- analyse -----------------------------------------------------------------------------------


@pytest.mark.parametrize("slug", ALL)
def test_analyse_works_the_package_out_again(slug: str, tmp_path: Path) -> None:
    folder = written(files_of(slug), tmp_path / "package")
    out = io.StringIO()
    call_command("analyse", str(folder), "--json", stdout=out)
    again = json.loads(out.getvalue())["findings"]
    published = edition_of(slug).content["findings"]
    assert [
        (f["property"], f["verdict"], f["n_baseline"], f["n_other"], f["retention"]) for f in again
    ] == [
        (f["property"], f["verdict"], f["n_baseline"], f["n_other"], f["retention"])
        for f in published
    ]


def test_analyse_reads_the_intervals_by_themselves(tmp_path: Path) -> None:
    folder = written(files_of(AGES), tmp_path / "package")
    out = io.StringIO()
    call_command("analyse", str(folder / "intervals.csv"), stdout=out)
    published = edition_of(AGES).content["findings"]
    assert out.getvalue().count("\n") == len(published)
    for one in published:
        assert f"{one['interval_words']}; {one['verdict']}" in out.getvalue()


def test_analyse_refuses_terms_beside_a_package(tmp_path: Path) -> None:
    folder = written(files_of(PAIR), tmp_path / "package")
    with pytest.raises(CommandError, match="brings its own terms"):
        call_command("analyse", str(folder), "--trend")


# --- over http ---------------------------------------------------------------------------------


def test_the_package_lies_at_its_addresses(reader: Client) -> None:
    page = reader.get(f"/scorecards/{PAIR}/1/package/")
    assert page.status_code == 200
    packed = reader.get(f"/scorecards/{PAIR}/1/package.zip")
    assert packed["Content-Type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(packed.content)) as inside:
        for name in inside.namelist():
            alone = reader.get(f"/scorecards/{PAIR}/1/package/{name}")
            assert alone.content == inside.read(name)
            assert f"package/{name}" in page.content.decode()


@pytest.mark.parametrize("name", ["passwd", "..%2Fcard.json", "readings.csv.bak", "README"])
def test_nothing_else_lies_there(reader: Client, name: str) -> None:
    assert reader.get(f"/scorecards/{PAIR}/1/package/{name}").status_code == 404
    assert reader.get(f"/scorecards/{PAIR}/9/package/README.md").status_code == 404
