"""Sets out a frozen edition for a page: what belongs to one property stands together.

Nothing is computed here but order and addresses; words and figures come frozen with the edition.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from django.conf import settings
from django.urls import reverse
from django.utils import translation
from django.utils.text import slugify

from reports.answer import answer, items_words, told_of
from reports.cautions import first_cautions


def set_out(content: Mapping[str, Any]) -> dict[str, Any]:
    """The content with its answer, its first cautions and all that belongs to each property."""
    content = in_page_language(content)
    findings = [
        found | {"method": _with_url(found["method"]), "id": f"finding-{place}"}
        for place, found in enumerate(content["findings"], start=1)
    ]
    methods = [_with_url(method) for method in content["methods"]]
    cautions = [
        caution | {"id": f"caution-{place}-{slugify(caution['key'])}"}
        for place, caution in enumerate(content["cautions"], start=1)
    ]
    return {
        **content,
        "findings": findings,
        "methods": methods,
        "cautions": cautions,
        "answer": answer(told_of(content["findings"])),
        "items_words": items_words(content["arms"]),
        "first_cautions": first_cautions(cautions),
        "properties": properties(content, findings, methods),
        "paid": next((c for c in cautions if c["key"] == "E21"), None),
        "baseline_label": next((a["label"] for a in content["arms"] if a["is_baseline"]), ""),
        "hundred": next((f["chart"]["hundred"] for f in findings if f["chart"]), None),
    }


def in_page_language(content: Mapping[str, Any]) -> dict[str, Any]:
    """The content with its people's words in the page's language, where they wrote them in it."""
    language = translation.get_language() or settings.LANGUAGE_CODE
    words = content.get("translations", {}).get(language)
    if not words:
        return {**content, "is_own_language": language == settings.LANGUAGE_CODE}
    return {
        **content,
        "study": {**content["study"], "question": words["question"], "title": words["title"]},
        "edition": {
            **content["edition"],
            "headline": words["headline"],
            "summary": words["summary"],
            "note": words.get("note", ""),
        },
        "is_own_language": True,
    }


def properties(
    content: Mapping[str, Any],
    findings: Sequence[Mapping[str, Any]],
    methods: Sequence[Mapping[str, Any]],
) -> list[dict[str, Any]]:
    """Findings, readings, counts and method of each property, in the study's order."""
    names = dict.fromkeys(
        [f["property"] for f in findings] + [r["property"] for r in content["readings"]]
    )
    found = []
    for place, name in enumerate(names, start=1):
        mine = [f for f in findings if f["property"] == name]
        readings = [
            reading | {"ends": _ends(reading)}
            for reading in content["readings"]
            if reading["property"] == name
        ]
        found.append(
            {
                "id": f"property-{place}",
                "number": place,
                "name": name,
                "direction_words": mine[0]["direction_words"] if mine else "",
                "findings": mine,
                "verdicts": [
                    {"verdict": verdict, "words": words, "count": count}
                    for (verdict, words), count in Counter(
                        (f["verdict"], f["verdict_words"]) for f in mine
                    ).items()
                ],
                "readings": readings,
                "photos": [
                    photo | {"url": _photo_url(content, photo)}
                    for photo in content.get("photos", [])
                    if photo["property"] == name
                ],
                "counts": [c for c in content["counts"] if c["property"] == name],
                "methods": [m for m in methods if m["property"] == name],
            }
        )
    return found


def _ends(reading: Mapping[str, Any]) -> dict[str, float | None]:
    """The interval that the analysis used; as read unless a calibration moved it."""
    if not reading.get("used_words"):
        return {"low": reading["low"], "high": reading["high"]}
    return {"low": _short(reading["used_low"]), "high": _short(reading["used_high"])}


def _short(end: float | None) -> float | None:
    return None if end is None else float(f"{end:.4g}")


def _photo_url(content: Mapping[str, Any], photo: Mapping[str, Any]) -> str:
    place = content["study"]["slug"], content["edition"]["number"], photo["digest"]
    return reverse("edition-photo", args=place)


def _with_url(method: Mapping[str, Any]) -> dict[str, Any]:
    return {**method, "url": reverse("method", args=[method["key"], method["number"]])}
