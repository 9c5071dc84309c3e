import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


def move_words(apps, schema_editor) -> None:
    """What a waiting release was to say becomes the draft that has to be signed off with it."""
    plans = apps.get_model("reports", "ReleasePlan").objects.filter(
        state="waiting", episode__isnull=False
    )
    drafts = apps.get_model("reports", "EpisodeCorrectionDraft").objects
    for plan in plans.order_by("pk"):
        words = {name: str(text) for name, text in plan.correction.items()}
        if any(words.values()):
            drafts.update_or_create(
                episode_id=plan.episode_id,
                defaults={
                    "was_wrong": words.get("was_wrong", ""),
                    "is_right": words.get("is_right", ""),
                    "since": words.get("since", "")[:200],
                    "found": words.get("found", "")[:300],
                    "changed_at": plan.made_at,
                    "changed_by_id": plan.by_id,
                },
            )


class Migration(migrations.Migration):
    dependencies = [
        ("reports", "0012_embargoes"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="EpisodeCorrectionDraft",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("was_wrong", models.TextField(blank=True)),
                ("is_right", models.TextField(blank=True)),
                ("since", models.CharField(blank=True, max_length=200)),
                ("found", models.CharField(blank=True, max_length=300)),
                ("changed_at", models.DateTimeField()),
                (
                    "changed_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "episode",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="correction_draft",
                        to="reports.episode",
                    ),
                ),
            ],
        ),
        migrations.RunPython(move_words, migrations.RunPython.noop),
        migrations.RemoveField(model_name="releaseplan", name="correction"),
    ]
