"""The catalogue of words in other languages, without any program but Python.

Collects every text marked for translation (Python calls, template tags, shipped methods), keeps a
language's `django.po` in step with them, and compiles it to the `django.mo` that Django reads. Both
files are in the repository, so a fresh clone needs neither gettext nor a build step.
"""

import ast
import json
import re
import struct
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from django.template import Template, engines
from django.template.base import Node, TokenType
from django.templatetags.i18n import BlockTranslateNode, TranslateNode

MARKS = {"gettext", "gettext_lazy", "gettext_noop"}
PLURAL_MARKS = {"ngettext", "ngettext_lazy"}
PACKAGES = ("labsite", "specimens", "trials", "reports")
PLACE = re.compile(r"%\((\w+)\)[sd]|\{(\w+)\}")
SENTENCE_END = re.compile(r"(?<=[.!?])[ \n]+(?=[A-ZÀ-Þ0-9'‘“£€$−])")


@dataclass(frozen=True, order=True)
class Text:
    """A text to translate; `plural` is empty for most."""

    singular: str
    plural: str = ""


Entries = dict[Text, tuple[str, ...]]


# --- collecting --------------------------------------------------------------------------------


def collect(root: Path) -> set[Text]:
    """Every text of the site's code and templates that is marked for translation."""
    found: set[Text] = set()
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            if "migrations" not in path.parts:
                found.update(_of_python(ast.parse(path.read_text(encoding="utf-8"))))
        for path in sorted((root / package).rglob("*.html")):
            found.update(_of_template(path.read_text(encoding="utf-8")))
    return found


def _of_python(tree: ast.Module) -> Iterator[Text]:
    names = {
        alias.asname or alias.name: alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == "django.utils.translation"
        for alias in node.names
    }
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else ""
        if isinstance(node.func, ast.Attribute):
            continue  # translation.gettext(variable): what it is given is marked elsewhere
        texts = [
            argument.value
            for argument in node.args
            if isinstance(argument, ast.Constant) and isinstance(argument.value, str)
        ]
        if names.get(name) in MARKS and texts:
            yield Text(texts[0])
        elif names.get(name) in PLURAL_MARKS and len(texts) == 2:
            yield Text(*texts)


def _of_template(source: str) -> Iterator[Text]:
    if "i18n" not in source:
        return
    template: Template = engines["django"].from_string(source).template  # type: ignore[attr-defined]
    for node in _nodes(template.nodelist):
        if isinstance(node, TranslateNode):
            literal = node.filter_expression.var
            if isinstance(literal, str):
                yield Text(literal.replace("%", "%%"))
            elif literal.literal is not None:
                yield Text(str(literal.literal).replace("%", "%%"))
        elif isinstance(node, BlockTranslateNode):
            yield Text(_message(node.singular), _message(node.plural) if node.plural else "")


def _message(tokens: Iterable[object]) -> str:
    parts = []
    for token in tokens:
        kind, contents = token.token_type, token.contents  # type: ignore[attr-defined]
        if kind == TokenType.TEXT:
            parts.append(contents.replace("%", "%%"))
        elif kind == TokenType.VAR:
            parts.append(f"%({contents})s")
    return "".join(parts)


def _nodes(nodelist: Iterable[Node]) -> Iterator[Node]:
    for node in nodelist:
        yield from node.get_nodes_by_type(Node)


def method_words(folder: Path) -> tuple[set[Text], set[Text]]:
    """What shipped methods are called, and the sentences of their steps, hazards and notes."""
    names: set[str] = set()
    prose: set[str] = set()
    for path in sorted(folder.glob("*.json")):
        method = json.loads(path.read_text(encoding="utf-8"))
        names.update(method[key] for key in ("name", "property", "quantity", "unit", "relation"))
        names.update(step["words"] for step in method["grade_scale"])
        told = [method["standard_note"], *method["steps"], *method["hazards"], *method["spoils"]]
        told += [check["text"] for check in method["checks"]]
        told += [setting["label"] for setting in method["settings"]]
        told += [one["why"] for one in method.get("published", ())]
        prose.update(part for text in told for part in SENTENCE_END.split(text) if part)
    return {Text(name) for name in names if name}, {Text(part) for part in prose - names}


# --- the catalogue on paper --------------------------------------------------------------------

HEADER = (
    'msgid ""\n'
    'msgstr ""\n'
    '"Content-Type: text/plain; charset=UTF-8\\n"\n'
    '"Content-Transfer-Encoding: 8bit\\n"\n'
    '"Language: {language}\\n"\n'
    '"Plural-Forms: nplurals=2; plural=(n != 1);\\n"\n'
)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def written(entries: Mapping[Text, tuple[str, ...]], *, language: str) -> str:
    """The catalogue as a .po file, in the order of its texts."""
    parts = [HEADER.format(language=language)]
    for text in sorted(entries):
        lines = [f"msgid {_quoted(text.singular)}"]
        if text.plural:
            lines.append(f"msgid_plural {_quoted(text.plural)}")
            forms = entries[text] or ("", "")
            lines += [f"msgstr[{place}] {_quoted(form)}" for place, form in enumerate(forms)]
        else:
            lines.append(f"msgstr {_quoted((entries[text] or ('',))[0])}")
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


_LINE = re.compile(r'(msgid|msgid_plural|msgstr|msgstr\[\d\]|)\s*("(?:[^"\\]|\\.)*")$')


def read(source: str) -> Entries:
    """The entries of a .po file without contexts; a fuzzy mark is refused."""
    entries: Entries = {}
    for block in re.split(r"\n\s*\n", source.strip()):
        fields: dict[str, str] = {}
        key = ""
        for line in block.splitlines():
            if line.startswith("#"):
                if "fuzzy" in line:
                    raise ValueError(f"A fuzzy entry: {block[:80]}")
                continue
            match = _LINE.match(line.strip())
            if match is None:
                raise ValueError(f"Not understood: {line[:80]}")
            key = match[1] or key
            fields[key] = fields.get(key, "") + json.loads(match[2])
        if fields.get("msgid"):
            forms = tuple(fields[name] for name in sorted(fields) if name.startswith("msgstr"))
            entries[Text(fields["msgid"], fields.get("msgid_plural", ""))] = forms
    return entries


def merged(known: Mapping[Text, tuple[str, ...]], wanted: Iterable[Text]) -> Entries:
    """The wanted texts with what is known of them; what nobody asks for any more is dropped."""
    return {text: known.get(text, ()) for text in wanted}


def missing(entries: Mapping[Text, tuple[str, ...]]) -> list[Text]:
    """Texts without a translation, or without one of its plural forms."""
    return sorted(
        text
        for text, forms in entries.items()
        if not forms or not all(forms) or len(forms) != (2 if text.plural else 1)
    )


def unlike(entries: Mapping[Text, tuple[str, ...]]) -> list[Text]:
    """Translations whose placeholders are not those of their text."""
    return sorted(
        text
        for text, forms in entries.items()
        if any(form and _places(form) - _places(text.singular + text.plural) for form in forms)
        or (not text.plural and any(forms) and _places(forms[0]) != _places(text.singular))
    )


def _places(text: str) -> set[str]:
    return {match[1] or match[2] for match in PLACE.finditer(text)}


# --- the catalogue as Django reads it ----------------------------------------------------------


def compiled(entries: Mapping[Text, tuple[str, ...]], *, language: str) -> bytes:
    """The catalogue as a .mo file (GNU gettext manual, 10.3, the format of MO files)."""
    head = HEADER.format(language=language).split("msgstr", 1)[1]
    told = {"": "".join(json.loads(part) for part in re.findall(r'"(?:[^"\\]|\\.)*"', head))}
    for text, forms in entries.items():
        if forms and all(forms):
            key = f"{text.singular}\0{text.plural}" if text.plural else text.singular
            told[key] = "\0".join(forms)
    pairs = sorted((key.encode(), value.encode()) for key, value in told.items())
    keys_at, values_at = 28, 28 + 8 * len(pairs)
    at = values_at + 8 * len(pairs)
    tables: tuple[list[int], list[int]] = ([], [])
    body = b""
    for table, side in zip(tables, (0, 1), strict=True):
        for pair in pairs:
            table += [len(pair[side]), at + len(body)]
            body += pair[side] + b"\0"
    numbers = [0x950412DE, 0, len(pairs), keys_at, values_at, 0, at, *tables[0], *tables[1]]
    return struct.pack(f"<{len(numbers)}I", *numbers) + body
