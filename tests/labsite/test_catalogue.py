"""The catalogue of words: nothing missing, nothing left over, and readable by other programs."""

import gettext
import io
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import call_command

from labsite import catalogue
from labsite.catalogue import Text

ROOT = Path(settings.BASE_DIR)
FOLDER = ROOT / "labsite" / "locale" / "de" / "LC_MESSAGES"
# a new sentence of a method's steps is shown in English, marked as such, until somebody turns it
MOST_PROSE_MISSING = 0.05


@pytest.fixture(scope="module")
def german() -> catalogue.Entries:
    return catalogue.read((FOLDER / "django.po").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def wanted() -> set[Text]:
    return catalogue.collect(ROOT)


def test_every_text_for_readers_has_its_german(
    german: catalogue.Entries, wanted: set[Text]
) -> None:
    names, _ = catalogue.method_words(ROOT / "trials" / "methods")
    assert len(wanted) > 500
    entries = catalogue.merged(german, wanted | names)
    assert catalogue.missing(entries) == [], "run manage.py catalogue and give these words"


def test_nearly_every_sentence_of_the_shipped_methods_has_its_german(
    german: catalogue.Entries,
) -> None:
    _, prose = catalogue.method_words(ROOT / "trials" / "methods")
    assert len(prose) > 400
    lacking = catalogue.missing(catalogue.merged(german, prose))
    assert len(lacking) <= MOST_PROSE_MISSING * len(prose), lacking[:20]


def test_translations_keep_their_placeholders(german: catalogue.Entries) -> None:
    assert catalogue.unlike(german) == []


def test_what_django_reads_is_what_the_catalogue_says(german: catalogue.Entries) -> None:
    """Read by Python's own gettext, which knows nothing of our writer."""
    with (FOLDER / "django.mo").open("rb") as file:
        compiled = gettext.GNUTranslations(file)
    told = 0
    for text, forms in german.items():
        if forms and all(forms):
            told += 1
            if text.plural:
                assert compiled.ngettext(text.singular, text.plural, 1) == forms[0]
                assert compiled.ngettext(text.singular, text.plural, 7) == forms[1]
            else:
                assert compiled.gettext(text.singular) == forms[0]
    assert told > 600
    assert compiled.charset() == "UTF-8"


def test_writing_and_reading_again_changes_nothing() -> None:
    entries = {
        Text('A "quoted" line\nand a \\ backslash'): ('Ein "Zitat"\nund ein \\',),
        Text("%(n)s item", "%(n)s items"): ("%(n)s Stück", "%(n)s Stücke"),
        Text("Not yet"): ("",),
    }
    source = catalogue.written(entries, language="de")
    assert catalogue.read(source) == entries
    assert catalogue.missing(entries) == [Text("Not yet")]
    found = gettext.GNUTranslations(io.BytesIO(catalogue.compiled(entries, language="de")))
    assert found.gettext("Not yet") == "Not yet"
    assert found.ngettext("%(n)s item", "%(n)s items", 2) == "%(n)s Stücke"


def test_a_lost_placeholder_and_a_fuzzy_entry_are_refused() -> None:
    assert catalogue.unlike({Text("{n} of {t}"): ("{n}",)}) == [Text("{n} of {t}")]
    with pytest.raises(ValueError, match="fuzzy"):
        catalogue.read('#, fuzzy\nmsgid "a"\nmsgstr "b"\n')


def test_marked_texts_are_found_wherever_they_stand(tmp_path: Path) -> None:
    package = tmp_path / "labsite"
    package.mkdir()
    (package / "one.py").write_text(
        "from django.utils.translation import gettext_noop as _, ngettext\n"
        "A = _('alone')\nB = ngettext('one', 'many', 2)\nC = print('not marked')\n"
    )
    (package / "two.html").write_text(
        '{% load i18n %}{% if x %}{% translate "in an if, 100 %" %}{% endif %}'
        "{% blocktranslate count number=n %}{{ number }} a{% plural %}{{ number }} b"
        "{% endblocktranslate %}"
    )
    for name in catalogue.PACKAGES[1:]:
        (tmp_path / name).mkdir()
    assert catalogue.collect(tmp_path) == {
        Text("alone"),
        Text("one", "many"),
        Text("in an if, 100 %%"),
        Text("%(number)s a", "%(number)s b"),
    }


def test_the_command_says_when_a_file_is_behind(capsys: pytest.CaptureFixture[str]) -> None:
    call_command("catalogue", check=True)
    assert "Deutsch" in capsys.readouterr().out
