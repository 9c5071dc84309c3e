"""An edition as a reference: BibTeX, CSL-JSON, and schema.org as JSON-LD. No Django here."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from reports.packages import NO_LICENCE

FROZEN_LANGUAGE = "en-gb"

LATEX = {
    "\\": r"\textbackslash{}",
    "{": r"\{",
    "}": r"\}",
    "$": r"\$",
    "&": r"\&",
    "#": r"\#",
    "%": r"\%",
    "_": r"\_",
    "^": r"\textasciicircum{}",
    "~": r"\textasciitilde{}",
    "£": r"\pounds{}",
}
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


@dataclass(frozen=True)
class Places:
    """Absolute addresses of one edition and what belongs to it."""

    page: str
    latest: str
    package: str
    readings_csv: str
    card_json: str
    picture: str
    corrections: str
    home: str


@dataclass(frozen=True)
class Corrected:
    """A correction as far as a machine needs it."""

    words: str
    published_on: str
    corrected_page: str


def _publisher(content: Mapping[str, Any]) -> str:
    publisher: str = content.get("licence", NO_LICENCE)["publisher"] or "Wornproof"
    return publisher


def _published(content: Mapping[str, Any]) -> date:
    return date.fromisoformat(content["edition"]["published_at"][:10])


def _key(content: Mapping[str, Any]) -> str:
    return f"{content['study']['slug']}-{content['edition']['number']}"


def bibtex(content: Mapping[str, Any], places: Places, notices: Sequence[str]) -> str:
    """The edition as a BibTeX entry that every style can set."""
    day = _published(content)
    note = " ".join([f"Edition {content['edition']['number']}.", *notices])
    fields = {
        "author": f"{{{_latex(_publisher(content))}}}",
        "title": f"{{{_latex(content['study']['title'])}}}",
        "year": str(day.year),
        "month": MONTHS[day.month - 1],
        "publisher": _latex(_publisher(content)),
        "version": str(content["edition"]["number"]),
        "note": _latex(note),
        "url": places.page,
    }
    lines = [
        f"  {name} = {value}," if name == "month" else f"  {name} = {{{value}}},"
        for name, value in fields.items()
    ]
    return "\n".join([f"@misc{{{_key(content)},", *lines, "}", ""])


def _latex(text: str) -> str:
    plain = re.sub(r"[\u00a0\u2009\u202f]", " ", text)
    return "".join(LATEX.get(sign, sign) for sign in plain)


def csl(content: Mapping[str, Any], places: Places, notices: Sequence[str]) -> list[dict[str, Any]]:
    """The edition as CSL-JSON, the form that reference managers and citation styles share."""
    day = _published(content)
    item: dict[str, Any] = {
        "id": _key(content),
        "type": "dataset",
        "title": content["study"]["title"],
        "author": [{"literal": _publisher(content)}],
        "publisher": _publisher(content),
        "issued": {"date-parts": [[day.year, day.month, day.day]]},
        "version": str(content["edition"]["number"]),
        "abstract": content["edition"]["summary"],
        "URL": places.page,
    }
    if notices:
        item["note"] = " ".join(notices)
    return [item]


# --- schema.org --------------------------------------------------------------------------------


def linked_data(
    content: Mapping[str, Any],
    places: Places,
    *,
    digest: str,
    status: str,
    corrections: Sequence[Corrected],
    language: str = FROZEN_LANGUAGE,
) -> dict[str, Any]:
    """The edition as schema.org's Dataset and Article, in one graph.

    `language` is that of the people's words in `content`, which the article is told in; the data
    keep the names they were frozen with.
    `status` is 'Published', 'Corrected' or 'Withdrawn'. There is no rating: a scorecard gives none.
    """
    lab = {"@type": "Organization", "name": _publisher(content), "url": places.home}
    return {
        "@context": "https://schema.org",
        "@graph": [
            _dataset(content, places, digest, status, lab),
            _article(content, places, status, lab, corrections) | {"inLanguage": language},
        ],
    }


def _dataset(
    content: Mapping[str, Any], places: Places, digest: str, status: str, lab: dict[str, Any]
) -> dict[str, Any]:
    study, edition = content["study"], content["edition"]
    days = sorted(one["measured_at"][:10] for one in content["readings"])
    described = {
        "@type": "Dataset",
        "@id": f"{places.page}#data",
        "inLanguage": FROZEN_LANGUAGE,
        "name": f"{study['title']}, edition {edition['number']}",
        "description": f"{study['question']} {edition['summary']}",
        "url": places.page,
        "identifier": f"urn:sha256:{digest}",
        "version": str(edition["number"]),
        "datePublished": edition["published_at"],
        "creativeWorkStatus": status,
        "creator": lab,
        "publisher": lab,
        "isAccessibleForFree": True,
        "keywords": sorted({one["property"] for one in content["findings"]}),
        "measurementTechnique": sorted({one["name"] for one in content["methods"]}),
        "variableMeasured": [_variable(one) for one in content["findings"]],
        "distribution": [
            _download("Data package", "application/zip", places.package),
            _download("Readings", "text/csv", places.readings_csv),
            _download("The whole edition", "application/json", places.card_json),
        ],
    }
    licence = content.get("licence", NO_LICENCE)
    if licence["url"]:
        described["license"] = licence["url"]
    if days:
        described["temporalCoverage"] = f"{days[0]}/{days[-1]}"
    return described


def _variable(finding: Mapping[str, Any]) -> dict[str, Any]:
    """What was kept of a property, in percent; an open end is left out, never invented."""
    value: dict[str, Any] = {
        "@type": "PropertyValue",
        "name": f"{finding['property']}, {finding['arm_label']} against "
        f"{finding['baseline_label']}",
        "description": finding["sentence"] or finding["refusal"],
    }
    shares = {
        "value": finding["retention"],
        "minValue": finding["low"],
        "maxValue": finding["high"],
    }
    told = {name: round(share * 100, 4) for name, share in shares.items() if share is not None}
    return value | told | ({"unitText": "%", "unitCode": "P1"} if told else {})


def _download(name: str, kind: str, address: str) -> dict[str, Any]:
    return {
        "@type": "DataDownload",
        "name": name,
        "encodingFormat": kind,
        "contentUrl": address,
    }


def _article(
    content: Mapping[str, Any],
    places: Places,
    status: str,
    lab: dict[str, Any],
    corrections: Sequence[Corrected],
) -> dict[str, Any]:
    edition = content["edition"]
    described: dict[str, Any] = {
        "@type": "Article",
        "@id": f"{places.page}#article",
        "headline": edition["headline"][:110],
        "description": content["study"]["question"],
        "abstract": edition["summary"],
        "datePublished": edition["published_at"],
        "creativeWorkStatus": status,
        "author": lab,
        "publisher": lab,
        "image": [places.picture],
        "mainEntityOfPage": places.page,
        "isBasedOn": {"@id": f"{places.page}#data"},
        "correctionsPolicy": places.corrections,
    }
    if corrections:
        described["correction"] = [
            {
                "@type": "CorrectionComment",
                "text": one.words,
                "datePublished": one.published_on,
                "url": one.corrected_page,
            }
            for one in corrections
        ]
    return described
