"""Facts about the files themselves: locks, containers, import arrows, machine traces."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).resolve().parent.parent
# What a pure package may import besides itself and Python's own library.
PURE = {
    "reports/degradation": {"numpy", "scipy"},
    "trials/physics": {"numpy", "scipy", "pint"},
    "reports/claims": set(),
    "reports/words.py": set(),
    "reports/pictures": {"PIL", "font_source_sans_pro", "resvg_py"},
    "trials/intervals.py": set(),
}
# Python modules that talk to the world: a pure computation has no use for them.
NOT_PURE = {"asyncio", "http", "os", "socket", "sqlite3", "subprocess", "urllib"}


def tracked_files() -> list[Path]:
    done = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [ROOT / name for name in done.stdout.split("\0") if name and (ROOT / name).is_file()]


def text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""  # a picture


def modules_of(package: str) -> list[Path]:
    path = ROOT / package
    return [path] if path.is_file() else sorted(path.rglob("*.py"))


@pytest.mark.parametrize("name", ["run", "dev"])
def test_locks_name_no_registry_and_hash_every_package(name):
    lock = (ROOT / "requirements" / f"{name}.txt").read_text()
    assert "http" not in re.sub(r"^http[a-z0-9-]*==", "", lock, flags=re.M)
    assert "index-url" not in lock
    assert "find-links" not in lock
    entries = re.split(r"\n(?=[a-z0-9])", lock.strip())
    assert len(entries) > 20
    for entry in entries:
        assert re.match(r"[a-z0-9._-]+==\S+", entry), entry
        assert "--hash=sha256:" in entry, entry


def test_locks_hold_what_the_lists_ask_for():
    for name in ("run", "dev"):
        lock = (ROOT / "requirements" / f"{name}.txt").read_text().lower()
        for line in (ROOT / "requirements" / f"{name}.in").read_text().splitlines():
            if wanted := re.match(r"[A-Za-z][A-Za-z0-9_.-]*", line):
                package = re.sub(r"[-_.]+", "-", wanted[0].lower())
                assert re.search(rf"^{re.escape(package)}==", lock, re.M), package


def test_run_and_dev_agree_on_versions():
    def versions(name):
        lock = (ROOT / "requirements" / f"{name}.txt").read_text()
        return set(re.findall(r"^([a-z0-9._-]+==\S+)", lock, re.M))

    assert versions("run") <= versions("dev")


def test_no_file_knows_the_machine_it_was_written_on():
    # Spelt in two parts, so that this file does not name them either.
    traces = ["/" + "work/", "/" + "root/", "/" + "home/", "py" + "env", "127.0.0.1:" + "3128"]
    for path in tracked_files():
        text = text_of(path)
        for trace in traces:
            assert trace not in text, f"{path.relative_to(ROOT)} has {trace}"


def test_no_unfinished_business():
    marks = re.compile("TO" + "DO|FIX" + "ME|XX" + "X")
    for path in tracked_files():
        if path.suffix in {".py", ".html", ".css", ".js", ".md", ".yml"}:
            found = marks.search(text_of(path))
            assert found is None, f"{path.relative_to(ROOT)} has {found and found[0]}"


@pytest.mark.parametrize("package", PURE)
def test_pure_packages_import_only_what_computing_needs(package):
    own = {"reports", "trials"}
    allowed = set(sys.stdlib_module_names) - NOT_PURE | PURE[package] | own
    modules = modules_of(package)
    assert modules
    for path in modules:
        for node in ast.walk(ast.parse(path.read_text())):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{path.name} imports relatively"
                names = [f"{node.module}.{alias.name}" for alias in node.names]
            for name in names:
                where = f"{path.relative_to(ROOT)} imports {name}"
                assert name.split(".")[0] in allowed, where
                if name.split(".")[0] in own:
                    assert name.startswith(
                        (
                            "reports.claims",
                            "reports.degradation",
                            "reports.pictures",
                            "reports.words",
                            "trials.physics",
                            "trials.intervals",
                        )
                    ), where


@pytest.mark.parametrize("package", PURE)
def test_pure_packages_work_where_django_is_not_installed(package):
    names = [
        str(path.relative_to(ROOT).with_suffix("")).replace("/", ".").removesuffix(".__init__")
        for path in modules_of(package)
    ]
    blocked = ["django", "rest_framework", "celery", "plotly", "psycopg"]
    code = (
        "import sys, importlib\n"
        f"sys.modules.update(dict.fromkeys({blocked!r}))\n"
        f"for name in {names!r}: importlib.import_module(name)\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("app", ["labsite", "specimens", "trials", "reports"])
def test_importing_an_app_package_imports_nothing(app):
    assert (ROOT / app / "__init__.py").read_text() == ""


def test_errors_are_never_swallowed():
    for path in tracked_files():
        if path.suffix != ".py":
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ExceptHandler):
                is_silent = len(node.body) == 1 and isinstance(node.body[0], ast.Pass)
                assert not is_silent, f"{path.relative_to(ROOT)}:{node.lineno}"


@pytest.mark.django_db
def test_models_and_migrations_agree():
    from django.core.management import call_command

    call_command("makemigrations", check=True, dry_run=True, verbosity=0)


class TestCompose:
    """What docker-compose.yml promises; the schema itself is checked by `make check`."""

    text = (ROOT / "docker-compose.yml").read_text()
    compose = yaml.safe_load(text)
    services = compose["services"]
    ours = ("migrate", "web", "worker", "beat")

    def test_every_long_running_service_has_a_health_check(self):
        for name, service in self.services.items():
            assert "healthcheck" in service or name == "migrate", name

    def test_nothing_starts_before_what_it_needs_is_healthy(self):
        for name in ("web", "worker", "beat"):
            needs = self.services[name]["depends_on"]
            assert needs["db"]["condition"] == "service_healthy"
            assert needs["redis"]["condition"] == "service_healthy"
            assert needs["migrate"]["condition"] == "service_completed_successfully"

    def test_only_the_web_process_is_reachable_and_only_from_this_machine(self):
        published = {name for name, service in self.services.items() if "ports" in service}
        assert published == {"web"}
        assert self.services["web"]["ports"] == ["${PUBLISH:-127.0.0.1:8000}:8000"]

    def test_secrets_have_no_default(self):
        for name in ("SECRET_KEY", "POSTGRES_PASSWORD", "ALLOWED_HOSTS"):
            uses = re.findall(rf"\$\{{{name}([^}}]*)\}}", self.text)
            assert uses
            assert all(use.startswith(":?") for use in uses), name

    def test_our_containers_can_write_only_where_they_must(self):
        for name in self.ours:
            service = self.services[name]
            assert service["read_only"] is True
            assert service["cap_drop"] == ["ALL"]
            assert service["volumes"] == ["var:/var/lib/wornproof"]
        assert "\nUSER wornproof\n" in (ROOT / "Dockerfile").read_text()

    def test_settings_read_every_variable_that_is_given(self):
        settings = (ROOT / "labsite" / "settings.py").read_text()
        readers = settings + (ROOT / "labsite" / "env.py").read_text()
        for name in self.services["web"]["environment"]:
            assert f'"{name}"' in readers, name

    def test_a_stop_lets_a_job_finish(self):
        from django.conf import settings

        grace = self.services["worker"]["stop_grace_period"]
        assert int(grace.removesuffix("s")) > settings.CELERY_TASK_TIME_LIMIT

    def test_every_volume_is_declared(self):
        used = {
            volume.split(":")[0]
            for service in self.services.values()
            for volume in service.get("volumes", [])
        }
        assert used == set(self.compose["volumes"])

    def test_the_image_holds_every_app(self):
        dockerfile = (ROOT / "Dockerfile").read_text()
        for folder in ("labsite", "specimens", "trials", "reports", "fixtures"):
            assert f"COPY {folder} {folder}\n" in dockerfile
        assert "--require-hashes" in dockerfile
