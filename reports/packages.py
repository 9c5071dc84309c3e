"""An edition as a data package: CSV tables, their schemas, a README. No Django here.

The same edition gives the same bytes on every machine and day: no clock, fixed order, fixed dates
inside the zip. Reading a package back trusts nothing in it.
"""

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from labsite.tables import guarded, unguarded
from reports.package_tables import FINDINGS, READINGS, TABLES, TRENDS, Row, Table, rows_of
from reports.verification import CannotVerify, Published

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
PACKAGE_FORMAT = 1
DESCRIPTOR = "datapackage.json"
ANALYSIS = "analysis.json"
README = "README.md"
LARGEST_FILE_BYTES = 64 * 1024 * 1024
# an edition published before labs stated a licence says nothing, and so do we
NO_LICENCE = {"name": "", "title": "no licence stated", "url": "", "publisher": ""}


def package_files(
    content: Mapping[str, Any], *, digest: str, notices: Sequence[str] = ()
) -> dict[str, bytes]:
    """Every file of the package by its name. `notices` say what happened to the edition since."""
    rows = rows_of(content)
    files = {f"{table.name}.csv": _csv(table, rows[table.name]) for table in _present(rows)}
    files[ANALYSIS] = _json(_analysis(content))
    files[README] = _readme(content, notices, _present(rows)).encode()
    files[DESCRIPTOR] = _json(_descriptor(content, digest, files, _present(rows), notices))
    return dict(sorted(files.items()))


def package_zip(files: Mapping[str, bytes]) -> bytes:
    """The files as one zip, always the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        for name in sorted(files):
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.external_attr = 0o644 << 16
            entry.compress_type = zipfile.ZIP_DEFLATED
            packed.writestr(entry, files[name])
    return out.getvalue()


def _present(rows: Mapping[str, list[Row]]) -> list[Table]:
    """The tables that have a row; an empty table would only raise a question."""
    return [table for table in TABLES if rows[table.name]]


def _csv(table: Table, rows: Sequence[Row]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_MINIMAL, lineterminator="\r\n")
    names = [column.name for column in table.columns]
    writer.writerow(names)
    for row in rows:
        writer.writerow([_cell(row[name]) for name in names])
    return out.getvalue().encode()


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "true" if value else "false"
    return guarded(value)


def _json(value: Any) -> bytes:
    text = json.dumps(value, indent=1, ensure_ascii=False, sort_keys=True, allow_nan=False)
    return f"{text}\n".encode()


def _analysis(content: Mapping[str, Any]) -> Row:
    return {
        "format": PACKAGE_FORMAT,
        "name": _name(content),
        "engine": content["engine"],
        "inputs_digest": content["inputs_digest"],
        "analysis": content.get("analysis"),
        "left_out": content.get("left_out", []),
        "trends": [
            {"property": one["property"], "driver": one["driver"]}
            for one in content.get("trends", [])
        ],
    }


def _name(content: Mapping[str, Any]) -> str:
    return f"{content['study']['slug']}, edition {content['edition']['number']}"


def _descriptor(
    content: Mapping[str, Any],
    digest: str,
    files: Mapping[str, bytes],
    tables: Sequence[Table],
    notices: Sequence[str],
) -> Row:
    study, edition = content["study"], content["edition"]
    licence = content.get("licence", NO_LICENCE)
    described: Row = {
        "$schema": PROFILE,
        "name": f"{study['slug']}-{edition['number']}",
        "id": f"urn:sha256:{digest}",
        "title": f"{study['title']}, edition {edition['number']}",
        "description": "\n\n".join([*notices, study["question"], edition["summary"]]),
        "version": str(edition["number"]),
        "created": edition["published_at"],
        "keywords": sorted({one["property"] for one in content["findings"]}),
        "resources": [
            *(_table_resource(table, files[f"{table.name}.csv"]) for table in tables),
            _resource("analysis", ANALYSIS, "json", files[ANALYSIS])
            | {"title": "Inputs of the analysis, for `manage.py verify` and `manage.py analyse`"},
        ],
    }
    if licence["name"]:
        described["licenses"] = [
            {"name": licence["name"], "title": licence["title"], "path": licence["url"]}
        ]
        described["contributors"] = [{"title": licence["publisher"], "roles": ["publisher"]}]
    return described


def _resource(name: str, path: str, kind: str, data: bytes) -> Row:
    media = {"csv": "text/csv", "json": "application/json"}
    return {
        "name": name,
        "path": path,
        "format": kind,
        "mediatype": media[kind],
        "encoding": "utf-8",
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
    }


def _table_resource(table: Table, data: bytes) -> Row:
    return _resource(table.name, f"{table.name}.csv", "csv", data) | {
        "type": "table",
        "title": table.title,
        "description": table.description,
        "schema": table.schema,
    }


# --- README ------------------------------------------------------------------------------------


def citation(content: Mapping[str, Any], address: str = "") -> str:
    """How to cite an edition, in one line."""
    publisher = content.get("licence", NO_LICENCE)["publisher"] or "Wornproof"
    day = content["edition"]["published_at"][:10]
    title = content["study"]["title"]
    line = f"{publisher}. {title}. Edition {content['edition']['number']}, {day}."
    return f"{line} {address}".rstrip()


OTHER_FILES = (
    f"\n- `{ANALYSIS}`: the inputs of the analysis as the program takes them"
    f"\n- `{DESCRIPTOR}`: every column with its type, meaning and unit (Data Package 2.0)"
)
HOW_TO_READ = (
    "UTF-8, a comma between cells, a point before decimals, times with their offset from UTC. "
    "An empty cell is not known or not there, never nothing. A reading is an interval: "
    "`low` to `high` holds the true value, and an empty `high` means that there is no upper "
    "end. A cell of words that a spreadsheet would take for a formula begins with an "
    "apostrophe that is not part of the words."
)
HOW_TO_WORK_OUT = (
    "With Wornproof's code, and no database:\n\n"
    "    python manage.py analyse THIS.zip     # the findings, worked out from this package\n"
    "    python manage.py verify THIS.zip      # says whether they equal the published ones\n\n"
    "`THIS.zip` is this package, zipped or as a folder. One property at a time and with other "
    "terms: `python manage.py analyse intervals.csv --level 0.9 --margin 0.2` (and "
    "`grades.csv` for grades). A method's own record and matched pairs enter only with the "
    "whole package. Any other program for interval-censored values can read "
    "`intervals.csv`; how the analysis works is told in METHOD.md beside the code."
)


def _readme(content: Mapping[str, Any], notices: Sequence[str], tables: Sequence[Table]) -> str:
    study, edition = content["study"], content["edition"]
    licence = content.get("licence", NO_LICENCE)
    parts = [f"# {study['title']}, edition {edition['number']}"]
    parts += [f"**{notice}**" for notice in notices]
    if content["invented"]:
        parts.append("**The lab, the gear and every reading here are invented.**")
    parts += [
        study["question"],
        edition["headline"],
        edition["summary"],
        "## Cautions",
        "\n".join(f"- {one['full']}" for one in content["cautions"]),
        "## Files",
        "\n".join(f"- `{table.name}.csv`: {table.description}" for table in tables) + OTHER_FILES,
        "## How to read the tables",
        HOW_TO_READ,
        "## Work it out again",
        HOW_TO_WORK_OUT,
        "## Cite and use",
        citation(content),
        f"Licence: {licence['title']} {licence['url']}".rstrip(),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


# --- reading it back ---------------------------------------------------------------------------


def read_package(path: Path) -> Published:
    """What a downloaded package says, zipped, as a folder, or named by its datapackage.json.

    Raises
    ------
    CannotVerify
        When the files are not there, not whole, or not of this form.
    """
    files = _files_of(path)
    try:
        analysis = json.loads(files[ANALYSIS])
    except (UnicodeDecodeError, json.JSONDecodeError) as why:
        raise CannotVerify(f"{ANALYSIS} cannot be read: {why}.") from None
    if not isinstance(analysis, dict) or analysis.get("format") != PACKAGE_FORMAT:
        raise CannotVerify(f"{ANALYSIS} is not of a form that this version knows.")
    if not analysis["analysis"]:
        raise CannotVerify(
            f"{analysis['name']} was published before editions kept the inputs of their analysis."
        )
    return Published(
        name=analysis["name"],
        findings=[_finding(row) for row in _rows(FINDINGS, files)],
        trends=_trends(analysis["trends"], _rows(TRENDS, files)),
        readings=[row | {"method_key": row["method"]} for row in _rows(READINGS, files)],
        left_out=analysis["left_out"],
        analysis=analysis["analysis"],
        inputs_digest=analysis["inputs_digest"],
        engine=analysis["engine"],
    )


def changed_files(path: Path) -> list[str]:
    """Names of files that are not what the package's own descriptor says, or are missing."""
    files = _files_of(path)
    try:
        resources = json.loads(files[DESCRIPTOR])["resources"]
        told = {one["path"]: one["hash"] for one in resources}
    except (UnicodeDecodeError, json.JSONDecodeError, KeyError, TypeError) as why:
        raise CannotVerify(f"{DESCRIPTOR} cannot be read: {why}.") from None
    return [
        name
        for name, digest in sorted(told.items())
        if f"sha256:{hashlib.sha256(files.get(name, b'')).hexdigest()}" != digest
    ]


def _files_of(path: Path) -> dict[str, bytes]:
    wanted = [DESCRIPTOR, ANALYSIS, *(f"{table.name}.csv" for table in TABLES)]
    if path.name == DESCRIPTOR:
        path = path.parent
    try:
        if path.is_dir():
            files = {
                name: _limited(name, (path / name).stat().st_size, (path / name).read_bytes)
                for name in wanted
                if (path / name).is_file()
            }
        else:
            files = _unzipped(path, wanted)
    except (OSError, zipfile.BadZipFile) as why:
        raise CannotVerify(f"{path} cannot be read as a package: {why}.") from None
    missing = [name for name in (DESCRIPTOR, ANALYSIS) if name not in files]
    if missing:
        raise CannotVerify(f"{path} has no {missing[0]}: it is not a package of an edition.")
    return files


def _unzipped(path: Path, wanted: Sequence[str]) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as packed:
        inside = {entry.filename: entry for entry in packed.infolist()}

        def reading(name: str) -> Any:
            # the size that a zip states may lie: no more than this is ever unpacked
            return lambda: packed.open(inside[name]).read(LARGEST_FILE_BYTES + 1)

        return {
            name: _limited(name, inside[name].file_size, reading(name))
            for name in wanted
            if name in inside
        }


def _limited(name: str, size: int, read: Any) -> bytes:
    data: bytes = b"" if size > LARGEST_FILE_BYTES else read()
    if size > LARGEST_FILE_BYTES or len(data) > LARGEST_FILE_BYTES:
        raise CannotVerify(f"{name} is larger than {LARGEST_FILE_BYTES // 2**20} MB.")
    return data


def _rows(table: Table, files: Mapping[str, bytes]) -> list[Row]:
    name = f"{table.name}.csv"
    if name not in files:
        return []
    try:
        text = files[name].decode()
    except UnicodeDecodeError as why:
        raise CannotVerify(f"{name} is not UTF-8 ({why.reason}).") from None
    reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
    types = {column.name: column.type for column in table.columns}
    absent = [one for one in types if one not in (reader.fieldnames or [])]
    if absent:
        raise CannotVerify(f"{name} has no column {absent[0]}.")
    rows = []
    for row in reader:
        where = f"{name}, line {reader.line_num}"
        rows.append({one: _value(kind, row[one], f"{where}, {one}") for one, kind in types.items()})
    return rows


def _value(kind: str, text: str | None, where: str) -> Any:
    if text is None:
        raise CannotVerify(f"{where}: the row is too short.")
    if kind in ("number", "integer"):
        if text == "":
            return None
        try:
            return float(text) if kind == "number" else int(text)
        except ValueError:
            raise CannotVerify(f"{where}: '{text}' is not a number.") from None
    # the apostrophe that kept a spreadsheet from taking the words for a formula
    return unguarded(text)


def _finding(row: Row) -> Row:
    return row | {"n_other": row["n_arm"]}


def _trends(known: Sequence[Row], points: Sequence[Row]) -> list[Mapping[str, Any]]:
    return [
        one | {"points": [point for point in points if point["trend"] == place]}
        for place, one in enumerate(known, start=1)
    ]
