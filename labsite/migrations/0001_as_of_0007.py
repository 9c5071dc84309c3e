import django.contrib.auth.models
import django.contrib.auth.validators
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


NAMES = ("technician", "lead", "editor", "administrator", "auditor")


def make_groups(apps, schema_editor):
    Group = apps.get_model("auth", "Group")
    for name in NAMES:
        Group.objects.get_or_create(name=name)


class Migration(migrations.Migration):

    replaces = [('labsite', '0001_people_audit_and_jobs'), ('labsite', '0002_role_groups'), ('labsite', '0003_pulse'), ('labsite', '0004_licence'), ('labsite', '0005_lab_emergency'), ('labsite', '0006_audit_chain_and_auditor'), ('labsite', '0007_access')]

    initial = True

    dependencies = [
        ('auth', '0012_alter_user_first_name_max_length'),
    ]

    operations = [
        migrations.CreateModel(
            name='Pulse',
            fields=[
                ('name', models.CharField(max_length=30, primary_key=True, serialize=False)),
                ('at', models.DateTimeField()),
            ],
            options={
                'verbose_name_plural': 'pulses',
            },
        ),
        migrations.CreateModel(
            name='User',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('password', models.CharField(max_length=128, verbose_name='password')),
                ('last_login', models.DateTimeField(blank=True, null=True, verbose_name='last login')),
                ('is_superuser', models.BooleanField(default=False, help_text='Designates that this user has all permissions without explicitly assigning them.', verbose_name='superuser status')),
                ('username', models.CharField(error_messages={'unique': 'A user with that username already exists.'}, help_text='Required. 150 characters or fewer. Letters, digits and @/./+/-/_ only.', max_length=150, unique=True, validators=[django.contrib.auth.validators.UnicodeUsernameValidator()], verbose_name='username')),
                ('first_name', models.CharField(blank=True, max_length=150, verbose_name='first name')),
                ('last_name', models.CharField(blank=True, max_length=150, verbose_name='last name')),
                ('email', models.EmailField(blank=True, max_length=254, verbose_name='email address')),
                ('is_staff', models.BooleanField(default=False, help_text='Designates whether the user can log into this admin site.', verbose_name='staff status')),
                ('is_active', models.BooleanField(default=True, help_text='Designates whether this user should be treated as active. Unselect this instead of deleting accounts.', verbose_name='active')),
                ('date_joined', models.DateTimeField(default=django.utils.timezone.now, verbose_name='date joined')),
                ('groups', models.ManyToManyField(blank=True, help_text='The groups this user belongs to. A user will get all permissions granted to each of their groups.', related_name='user_set', related_query_name='user', to='auth.group', verbose_name='groups')),
                ('user_permissions', models.ManyToManyField(blank=True, help_text='Specific permissions for this user.', related_name='user_set', related_query_name='user', to='auth.permission', verbose_name='user permissions')),
            ],
            options={
                'verbose_name': 'user',
                'verbose_name_plural': 'users',
                'abstract': False,
            },
            managers=[
                ('objects', django.contrib.auth.models.UserManager()),
            ],
        ),
        migrations.CreateModel(
            name='ApiToken',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=60)),
                ('token_digest', models.CharField(max_length=64, unique=True)),
                ('deeds', models.JSONField(default=list)),
                ('created_at', models.DateTimeField()),
                ('expires_at', models.DateTimeField()),
                ('last_used_at', models.DateTimeField(null=True)),
                ('revoked_at', models.DateTimeField(null=True)),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='api_tokens', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-created_at'],
            },
        ),
        migrations.CreateModel(
            name='AuditEntry',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(db_index=True, default=django.utils.timezone.now, editable=False)),
                ('verb', models.CharField(max_length=60)),
                ('subject_kind', models.CharField(max_length=100)),
                ('subject_id', models.CharField(max_length=64)),
                ('subject_words', models.CharField(max_length=200)),
                ('detail', models.JSONField(default=dict)),
                ('origin', models.CharField(default='-', help_text='The request or job.', max_length=64)),
                ('address', models.CharField(blank=True, help_text='Where the request came from.', max_length=45)),
                ('by', models.ForeignKey(editable=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='audit_entries', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name_plural': 'audit entries',
                'ordering': ['-at', '-pk'],
                'indexes': [models.Index(fields=['subject_kind', 'subject_id'], name='audit_by_subject')],
            },
        ),
        migrations.CreateModel(
            name='AuditSeal',
            fields=[
                ('sequence', models.BigIntegerField(primary_key=True, serialize=False)),
                ('seal', models.CharField(max_length=64)),
                ('entry', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='seal', to='labsite.auditentry')),
            ],
            options={
                'ordering': ['sequence'],
            },
        ),
        migrations.CreateModel(
            name='Invitation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('username', models.CharField(max_length=150)),
                ('first_name', models.CharField(blank=True, max_length=150)),
                ('last_name', models.CharField(blank=True, max_length=150)),
                ('roles', models.JSONField(default=list)),
                ('token_digest', models.CharField(max_length=64, unique=True)),
                ('at', models.DateTimeField()),
                ('expires_at', models.DateTimeField()),
                ('used_at', models.DateTimeField(null=True)),
                ('withdrawn_at', models.DateTimeField(null=True)),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-at'],
                'constraints': [models.CheckConstraint(condition=models.Q(('used_at', None), ('withdrawn_at', None), _connector='OR'), name='invitation_used_or_withdrawn')],
            },
        ),
        migrations.CreateModel(
            name='Job',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(max_length=60)),
                ('key', models.CharField(max_length=200)),
                ('payload', models.JSONField(default=dict)),
                ('state', models.CharField(choices=[('waiting', 'waiting'), ('running', 'running'), ('done', 'done'), ('failed', 'failed')], default='waiting', max_length=10)),
                ('claim', models.CharField(blank=True, max_length=32)),
                ('lease_until', models.DateTimeField(blank=True, null=True)),
                ('not_before', models.DateTimeField(blank=True, null=True)),
                ('attempts', models.PositiveIntegerField(default=0)),
                ('progress_done', models.PositiveIntegerField(default=0)),
                ('progress_total', models.PositiveIntegerField(default=0)),
                ('error', models.TextField(blank=True)),
                ('requested_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('sent_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('started_at', models.DateTimeField(blank=True, null=True)),
                ('ended_at', models.DateTimeField(blank=True, null=True)),
            ],
            options={
                'ordering': ['-requested_at', '-pk'],
                'indexes': [models.Index(condition=models.Q(('state__in', ['waiting', 'running'])), fields=['sent_at'], name='jobs_not_ended')],
                'constraints': [models.UniqueConstraint(fields=('kind', 'key'), name='one_job_for_each_work'), models.CheckConstraint(condition=models.Q(('state__in', ['waiting', 'running', 'done', 'failed'])), name='job_state_is_known'), models.CheckConstraint(condition=models.Q(models.Q(('lease_until__isnull', False), ('state', 'running')), models.Q(models.Q(('state', 'running'), _negated=True), ('lease_until__isnull', True)), _connector='OR'), name='only_running_jobs_are_leased'), models.CheckConstraint(condition=models.Q(models.Q(('ended_at__isnull', False), ('state__in', ['done', 'failed'])), models.Q(('ended_at__isnull', True), ('state__in', ['waiting', 'running'])), _connector='OR'), name='ended_jobs_have_an_end'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'failed'), _negated=True), models.Q(('error', ''), _negated=True), _connector='OR'), name='failed_jobs_say_why'), models.CheckConstraint(condition=models.Q(('progress_done__lte', models.F('progress_total'))), name='job_progress_within_total')],
            },
        ),
        migrations.CreateModel(
            name='Lab',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=100)),
                ('note', models.CharField(blank=True, help_text='Shown under the name on every page.', max_length=300)),
                ('emergency', models.TextField(blank=True, db_default='', default='', help_text='Who to call and where things are; one tap away on every page of the bench.', max_length=2000)),
                ('is_invented', models.BooleanField(default=False, help_text='Every page then says that the lab and its data are invented.')),
                ('licence', models.CharField(choices=[('CC-BY-4.0', 'Creative Commons Attribution 4.0 International'), ('CC-BY-SA-4.0', 'Creative Commons Attribution-ShareAlike 4.0 International'), ('CC0-1.0', 'Creative Commons Zero 1.0 Universal')], default='CC-BY-4.0', help_text='Stated with every edition from its publication on; older editions keep theirs.', max_length=20)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('pk', 1)), name='only_one_lab')],
            },
        ),
        migrations.CreateModel(
            name='Pin',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('secret', models.CharField(max_length=128)),
                ('set_at', models.DateTimeField()),
                ('wrong_count', models.PositiveSmallIntegerField(default=0)),
                ('locked_until', models.DateTimeField(null=True)),
                ('user', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='pin', to=settings.AUTH_USER_MODEL)),
            ],
        ),
        migrations.CreateModel(
            name='Tablet',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=60)),
                ('token_digest', models.CharField(max_length=64, unique=True)),
                ('enrolled_at', models.DateTimeField()),
                ('last_seen_at', models.DateTimeField(null=True)),
                ('revoked_at', models.DateTimeField(null=True)),
                ('enrolled_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['name', 'pk'],
            },
        ),
        migrations.RunPython(make_groups, migrations.RunPython.noop),
    ]
