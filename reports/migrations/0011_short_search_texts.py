"""Each word of a search text once, in the row itself.

PostgreSQL moves parts of a row beyond 2 kB elsewhere, which made a search in 10,000 cards four
times as slow; up to 8 kB may stay.
"""

from django.db import migrations


def shorten(apps, schema_editor):
    # first: PostgreSQL alters no table whose rows this transaction has changed
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("ALTER TABLE reports_publishedcard SET (toast_tuple_target = 8160)")
    cards = apps.get_model("reports", "PublishedCard").objects
    for pk, text in list(cards.values_list("pk", "search_text")):
        # written anew even where nothing changes: only then PostgreSQL moves it back into the row
        cards.filter(pk=pk).update(search_text=" ".join(dict.fromkeys(text.split())))


class Migration(migrations.Migration):
    dependencies = [("reports", "0010_words_in_other_languages")]

    operations = [migrations.RunPython(shorten, migrations.RunPython.noop)]
