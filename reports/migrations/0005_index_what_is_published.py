"""Fill the index for editions published before there was one."""

from django.db import migrations

from reports.index import card_row, finding_rows, search_text


def fill(apps, schema_editor):
    def model(name, app="reports"):
        return apps.get_model(app, name)

    def fitting(name, row):
        # later versions of the program may know more columns than this migration's tables have
        known = {field.name for field in model(name)._meta.get_fields()}
        return {column: value for column, value in row.items() if column in known}

    newest = {}
    for pk, study in model("Edition").objects.order_by("number").values_list("pk", "study"):
        newest[study] = pk
    for pk in newest.values():
        edition = model("Edition").objects.get(pk=pk)
        content = edition.content
        codes = [one["code"] for arm in content["arms"] for one in arm["specimens"]]
        specimens = model("Specimen", "specimens").objects.filter(code__in=codes)
        products = list(
            model("Product", "specimens").objects.filter(
                pk__in=specimens.values_list("product", flat=True)
            )
        )
        card = model("PublishedCard").objects.create(
            study_id=edition.study_id,
            edition=edition,
            published_at=edition.published_at,
            year=edition.published_at.year,
            search_text=search_text(content, products),
            **fitting("PublishedCard", card_row(content)),
        )
        for row in finding_rows(content, [product.kind for product in products]):
            model("PublishedFinding").objects.create(card=card, **fitting("PublishedFinding", row))
        for product in products:
            model("PublishedProduct").objects.create(card=card, product=product, kind=product.kind)


class Migration(migrations.Migration):
    dependencies = [("reports", "0004_published_index")]

    operations = [migrations.RunPython(fill, migrations.RunPython.noop, elidable=True)]
