from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("labsite", "0002_role_groups"),
    ]

    operations = [
        migrations.CreateModel(
            name="Pulse",
            fields=[
                (
                    "name",
                    models.CharField(max_length=30, primary_key=True, serialize=False),
                ),
                ("at", models.DateTimeField()),
            ],
            options={"verbose_name_plural": "pulses"},
        ),
    ]
