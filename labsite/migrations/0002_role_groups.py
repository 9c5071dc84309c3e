from django.db import migrations


NAMES = ("technician", "lead", "editor", "administrator")


def make_groups(apps, schema_editor):
    Group = apps.get_model("auth", "Group")
    for name in NAMES:
        Group.objects.get_or_create(name=name)


class Migration(migrations.Migration):
    dependencies = [
        ("labsite", "0001_people_audit_and_jobs"),
        ("auth", "0012_alter_user_first_name_max_length"),
    ]

    operations = [migrations.RunPython(make_groups, migrations.RunPython.noop, elidable=True)]
