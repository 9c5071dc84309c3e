from django.db import migrations, models
import django.db.models.deletion


def make_auditors(apps, schema_editor):
    apps.get_model("auth", "Group").objects.get_or_create(name="auditor")


class Migration(migrations.Migration):
    dependencies = [("labsite", "0005_lab_emergency")]

    operations = [
        migrations.AddField(
            model_name="auditentry",
            name="address",
            field=models.CharField(
                blank=True, help_text="Where the request came from.", max_length=45
            ),
        ),
        migrations.AddField(
            model_name="auditentry",
            name="origin",
            field=models.CharField(default="-", help_text="The request or job.", max_length=64),
        ),
        migrations.CreateModel(
            name="AuditSeal",
            fields=[
                ("sequence", models.BigIntegerField(primary_key=True, serialize=False)),
                ("seal", models.CharField(max_length=64)),
                (
                    "entry",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="seal",
                        to="labsite.auditentry",
                    ),
                ),
            ],
            options={"ordering": ["sequence"]},
        ),
        migrations.RunPython(make_auditors, migrations.RunPython.noop, elidable=True),
    ]
