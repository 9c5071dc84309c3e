"""What readers wait for: a scorecard beside its peers, 10,000 editions, and the largest paint.

Run as ``python -m benchmarks.public``; it writes its tables into docs/public-speed.md. It needs wrk
and nginx (Debian packages) and Chromium. With ``TEST_POSTGRESQL`` (a maintenance database) it
measures search there too. ``--quick`` takes a tenth of everything and writes nothing.
"""

from __future__ import annotations

import gzip
import http.client
import os
import random
import re
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit, urlunsplit

ROOT = Path(__file__).resolve().parents[1]
WHERE = ROOT / "docs" / "public-speed.md"
SLUG = "causeway-trousers-one-pair"
CARD = f"/scorecards/{SLUG}/1/"
QUICK = "--quick" in sys.argv
EDITIONS = 1_000 if QUICK else 10_000
SEARCHES = 60 if QUICK else 200
ROUNDS = 1 if QUICK else 3
SECONDS = 2 if QUICK else 5
# the browser tools' "Fast 4G", from memory: 9 Mbit/s less a tenth, 60 ms times 2.75
FAST_4G = {"latency": 165, "downloadThroughput": 1_012_500, "uploadThroughput": 168_750}


def main() -> None:
    """Measure and write down: everything, or only the part that `--serving` or `--growth` names."""
    begun = (
        f"Load of the machine when it began: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores."
    )
    if "--growth" not in sys.argv:
        with tempfile.TemporaryDirectory(prefix="public-") as name:
            folder = Path(name)
            environment = site_environment(folder)
            run(["-m", "benchmarks.public", "--prepare"], environment)
            parts = serving(folder, environment) + storage(environment) + paint(folder, environment)
        tell("serving", [begun, *parts])
    if "--serving" not in sys.argv:
        tell("growth", [begun, *growth()])


def tell(part: str, lines: list[str]) -> None:
    text = "\n".join(lines)
    print(text, flush=True)
    if not QUICK:
        write(part, text)


def site_environment(folder: Path, database: str = "") -> dict[str, str]:
    """An own var folder, so that nothing of the lab is touched."""
    environment = {
        **os.environ,
        "VAR_DIR": str(folder / "var"),
        "DJANGO_SETTINGS_MODULE": "benchmarks.public_settings",
        "LOG_LEVEL": "ERROR",
        "PYTHONWARNINGS": "ignore",
    }
    environment.pop("DATABASE_URL", None)
    if database:
        environment |= {"DATABASE_URL": database, "SECRET_KEY": "only for this benchmark " * 3}
    return environment


def run(arguments: list[str], environment: dict[str, str]) -> str:
    """Run a part in a process of its own, with its own settings."""
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=ROOT,
        env=environment,
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    return done.stdout


def setup() -> None:
    """Django, in a process of a part."""
    import django

    django.setup()


def prepare() -> None:
    """The invented demo lab, computed and published."""
    setup()
    Path(os.environ["VAR_DIR"]).mkdir(parents=True, exist_ok=True)
    from django.core.management import call_command

    from labsite.jobs import run_job
    from labsite.models import Job, JobState

    call_command("migrate", verbosity=0)
    call_command("load_demo", verbosity=0)
    # one job may ask for another
    while waiting := Job.objects.filter(state=JobState.WAITING).order_by("pk").first():
        run_job(waiting.pk)
    call_command("publish_demo", verbosity=0)
    call_command("collectstatic", interactive=False, verbosity=0)


# --- serving -----------------------------------------------------------------------------------


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def gunicorn(environment: dict[str, str]) -> Iterator[int]:
    """The web process as `manage.py serve` starts it: two processes of four threads."""
    port = free_port()
    command = [
        *(sys.executable, "-m", "gunicorn", "labsite.wsgi:application"),
        *(f"--bind=127.0.0.1:{port}", "--worker-class=gthread", "--workers=2", "--threads=4"),
        *("--no-control-socket", "--log-level=error"),
    ]
    with running(command, environment, port):
        yield port


@contextmanager
def nginx(folder: Path, files: Path) -> Iterator[int]:
    """Debian's nginx over the exported files, with the compressed ones beside them."""
    port = free_port()
    conf = folder / "nginx.conf"
    conf.write_text(
        f"daemon off; worker_processes 2; pid {folder}/nginx.pid; error_log stderr error;\n"
        "events { worker_connections 1024; }\n"
        f"http {{ include /etc/nginx/mime.types; access_log off; sendfile on; etag on;\n"
        f"client_body_temp_path {folder}; proxy_temp_path {folder}; fastcgi_temp_path {folder};\n"
        f"uwsgi_temp_path {folder}; scgi_temp_path {folder};\n"
        f"server {{ listen 127.0.0.1:{port}; root {files}; gzip_static on; }} }}\n"
    )
    folder.chmod(0o755)
    with running(["nginx", "-c", str(conf)], dict(os.environ), port):
        yield port


@contextmanager
def running(command: list[str], environment: dict[str, str], port: int) -> Iterator[None]:
    """A server for as long as the block lasts."""
    process = subprocess.Popen(command, cwd=ROOT, env=environment)
    try:
        for _ in range(600):
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                time.sleep(0.1)
        yield
    finally:
        process.terminate()
        process.wait(20)


def wrk(port: int, path: str, *headers: str) -> tuple[float, float]:
    """Requests a second and the 99th percentile in milliseconds; errors end the benchmark."""
    command = ["wrk", "-t1", "-c16", f"-d{SECONDS}s", "--latency", "-H", "Accept-Encoding: gzip"]
    for header in headers:
        command += ["-H", header]
    done = subprocess.run(
        [*command, f"http://127.0.0.1:{port}{path}"], check=True, capture_output=True, text=True
    )
    if "Non-2xx" in done.stdout and not headers:
        raise SystemExit(f"{path} did not answer 200:\n{done.stdout}")
    rate = float(re.search(r"Requests/sec:\s+([\d.]+)", done.stdout)[1])  # type: ignore[index]
    worst, unit = re.search(r"99%\s+([\d.]+)(us|ms|s)", done.stdout).groups()  # type: ignore[union-attr]
    return rate, float(worst) * {"us": 0.001, "ms": 1.0, "s": 1000.0}[unit]


def fetch(port: int, path: str) -> tuple[bytes, str]:
    connection = http.client.HTTPConnection("127.0.0.1", port)
    connection.request("GET", path, headers={"Accept-Encoding": "gzip"})
    answer = connection.getresponse()
    body = answer.read()
    if answer.status != 200:
        raise SystemExit(f"{path} answers {answer.status}")
    return body, answer.headers.get("ETag", "")


def serving(folder: Path, environment: dict[str, str]) -> list[str]:
    """Every peer in turn, several rounds, so that a busy moment meets all of them."""
    files = folder / "site"
    manage = [str(ROOT / "manage.py"), "export_site", str(files), "--gzip"]
    run(manage, environment | {"DJANGO_SETTINGS_MODULE": "labsite.settings"})
    with gunicorn(environment) as port, nginx(folder, files) as file_port:
        body, etag = fetch(port, CARD)
        peers: dict[str, Callable[[], tuple[float, float]]] = {
            "the scorecard, kept": lambda: wrk(port, CARD),
            "the same, browser has it (304)": lambda: wrk(port, CARD, f"If-None-Match: {etag}"),
            "the same, made from the database each time": lambda: wrk(
                port, f"/peer/rendered/{SLUG}/1/"
            ),
            "an empty Django view": lambda: wrk(port, "/peer/empty/"),
            "a plain Django page with one query": lambda: wrk(port, "/peer/query/"),
            "the exported file, nginx": lambda: wrk(file_port, CARD),
        }
        for measure in peers.values():
            measure()  # warm
        found: dict[str, list[tuple[float, float]]] = {name: [] for name in peers}
        for _ in range(ROUNDS):
            for name, measure in peers.items():
                found[name].append(measure())
    median = {name: statistics.median(r for r, _ in told) for name, told in found.items()}
    kept = median["the scorecard, kept"]
    lines = [
        "",
        f"## One scorecard ({len(gzip.decompress(body)) / 1000:.0f} kB, {len(body) / 1000:.0f} kB compressed)",
        "",
        "| what answers | requests a second | 99 % within | the kept scorecard is |",
        "|---|---|---|---|",
    ]
    for name, told in found.items():
        worst = statistics.median(w for _, w in told)
        ratio = f"{kept / median[name]:.2g} times as fast" if name != "the scorecard, kept" else ""
        lines.append(f"| {name} | {median[name]:,.0f} | {worst:.1f} ms | {ratio} |")
    return [
        *lines,
        "",
        (
            f"wrk, one thread, 16 connections, median of {ROUNDS} rounds of {SECONDS} s each, taken in turn; "
            "gunicorn with two processes of four threads on SQLite; client and servers share the cores."
        ),
    ]


# --- where pages are kept ----------------------------------------------------------------------


def storage(environment: dict[str, str]) -> list[str]:
    """A file against a row of the database, for what a process does not have in memory."""
    return run(["-m", "benchmarks.public", "--storage"], environment).splitlines()


def measure_storage() -> None:
    setup()
    from django.db import connection

    from labsite.kept_pages import stamp

    data = os.urandom(16_000)
    with tempfile.NamedTemporaryFile() as file:
        file.write(data)
        file.flush()
        from_file = mean_us(lambda: Path(file.name).read_bytes())
    with connection.cursor() as cursor:
        cursor.execute("CREATE TEMPORARY TABLE kept (key VARCHAR(40) PRIMARY KEY, body BLOB)")
        cursor.execute("INSERT INTO kept VALUES (%s, %s)", ["k", data])

    def from_row() -> None:
        with connection.cursor() as cursor:
            cursor.execute("SELECT body FROM kept WHERE key = %s", ["k"])
            cursor.fetchone()

    in_row, asked = mean_us(from_row), mean_us(stamp)

    def anew() -> None:
        connection.close()
        stamp()

    opened = mean_us(anew, 100)
    print("\n## Where a page is kept, and what asking costs (SQLite)\n")
    print("| step | microseconds |\n|---|---|")
    print(f"| 16 kB from a file | {from_file:.0f} |")
    print(f"| 16 kB from a row | {in_row:.0f} |")
    print(f"| is the page in memory still good? (the stamp) | {asked:.0f} |")
    print(f"| the same over a connection opened for it | {opened:.0f} |")


def mean_us(what: Callable[[], Any], times: int = 2000) -> float:
    what()
    started = time.perf_counter()
    for _ in range(times):
        what()
    return (time.perf_counter() - started) / times * 1e6


# --- the browser -------------------------------------------------------------------------------


def paint(folder: Path, environment: dict[str, str]) -> list[str]:
    """Largest contentful paint of the scorecard, cold cache, as a phone on a mobile network."""
    from playwright.sync_api import sync_playwright

    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium") or ""
    times, weights = [], []
    with gunicorn(environment) as port, sync_playwright() as playwright:
        fetch(port, CARD)
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for _ in range(3 if QUICK else 7):
            context = browser.new_context(viewport={"width": 390, "height": 844})
            page = context.new_page()
            session = context.new_cdp_session(page)
            session.send("Network.enable")
            session.send("Network.emulateNetworkConditions", {"offline": False, **FAST_4G})
            received: list[float] = []
            session.on("Network.loadingFinished", _heard(received))
            page.goto(f"http://127.0.0.1:{port}{CARD}", wait_until="load")
            times.append(page.evaluate(LARGEST_PAINT))
            weights.append(sum(received))
            context.close()
        browser.close()
    return [
        "",
        "## Largest contentful paint",
        "",
        (
            f"{statistics.median(times) / 1000:.2f} s at the median of {len(times)} cold loads (longest "
            f"{max(times) / 1000:.2f} s), {max(weights) / 1000:.0f} kB over the wire until loaded. Chromium, 390 px wide, "
            "9 Mbit/s and 165 ms a request (the developer tools' Fast 4G), processor not slowed; server on the same machine."
        ),
    ]


def _heard(received: list[float]) -> Callable[[dict[str, Any]], None]:
    return lambda told: received.append(told["encodedDataLength"])


LARGEST_PAINT = """() => new Promise((told) => {
  new PerformanceObserver((list) => told(list.getEntries().at(-1).startTime))
    .observe({type: "largest-contentful-paint", buffered: true});
})"""


# --- growth ------------------------------------------------------------------------------------


def growth() -> list[str]:
    """Index and search over many editions, on each database."""
    lines = [
        "",
        f"## {EDITIONS:,} published editions",
        "",
        "| database | page | median | 95 % within | of it processor time | of a plain page |",
        "|---|---|---|---|---|---|",
    ]
    with tempfile.TemporaryDirectory(prefix="public-") as name:
        lines += growth_on("SQLite", site_environment(Path(name)))
    server = os.environ.get("TEST_POSTGRESQL")
    if server:
        import psycopg

        database = f"public_bench_{os.getpid()}"
        with psycopg.connect(server, autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {database}")  # type: ignore[arg-type]
            try:
                address = urlunsplit(urlsplit(server)._replace(path=f"/{database}"))
                with tempfile.TemporaryDirectory(prefix="public-") as name:
                    lines += growth_on("PostgreSQL", site_environment(Path(name), address))
            finally:
                connection.execute(f"DROP DATABASE {database} WITH (FORCE)")  # type: ignore[arg-type]
    return lines


def growth_on(database: str, environment: dict[str, str]) -> list[str]:
    run(["-m", "benchmarks.public", "--prepare"], environment)
    print(
        run(["-m", "benchmarks.public", "--fill", *(["--quick"] if QUICK else [])], environment),
        flush=True,
    )
    return asked_of(database, environment)


def asked_of(database: str, environment: dict[str, str]) -> list[str]:
    """What a reader waits for each kind of list, and for a plain page in the same run."""
    chance = random.Random(7)  # the same questions each time
    words = [
        "jacket",
        "trousers",
        "protector",
        "seam",
        "worn",
        "abrasion 17",
        "bench",
        "0421",
        "nothing like it",
    ]
    asked = {
        "index": lambda: "/",
        "index, made anew": lambda: "/?page=1",
        "a page of it": lambda: f"/?page={chance.randint(2, EDITIONS // 25)}",
        "search for a word": lambda: f"/?q={quote(chance.choice(words))}",
        "filters": lambda: (
            f"/?property={quote(chance.choice(['water uptake', 'seam strength', 'impact padding']))}"
            f"&year={chance.choice([2024, 2025, 2026])}"
        ),
        "search and filters": lambda: f"/?q={quote(chance.choice(words))}&gear=jacket&kind=ages",
        "what goes first": lambda: "/what-goes-first/",
        "products": lambda: "/products/",
        "compare": lambda: "/compare/?property=water+uptake",
        "site map": lambda: "/sitemap.xml",
        "feed": lambda: "/feed.atom",
    }
    plain = "a plain page with one query"
    asked[plain] = lambda: "/peer/query/"
    waited: dict[str, list[float]] = {name: [] for name in asked}
    worked: dict[str, list[float]] = {name: [] for name in asked}
    with gunicorn(environment) as port:
        for address in asked.values():
            fetch(port, address())
        for _ in range(SEARCHES):
            # in turn, so that a busy moment meets all of them
            for name, address in asked.items():
                path, before = address(), processor_ms(port, environment)
                started = time.perf_counter()
                fetch(port, path)
                waited[name].append((time.perf_counter() - started) * 1000)
                worked[name].append(processor_ms(port, environment) - before)
    lines = []
    for name, times in waited.items():
        times.sort()
        middle, mean_work = statistics.median(times), statistics.median(worked[name])
        ratio = "" if name == plain else f"{middle / statistics.median(waited[plain]):.1f}"
        lines.append(
            f"| {database} | {name} | {middle:.0f} ms | {times[int(len(times) * 0.95)]:.0f} ms "
            f"| {mean_work:.1f} ms | {ratio} |"
        )
    return lines


def processor_ms(port: int, environment: dict[str, str]) -> float:
    """Processor time that the server and its database connections have taken so far (Linux)."""
    told = b"\0" + f"--bind=127.0.0.1:{port}".encode() + b"\0"
    pids = [
        int(found.parent.name)
        for found in Path("/proc").glob("[0-9]*/cmdline")
        if told in (_read_or_nothing(found))
    ]
    if "DATABASE_URL" in environment:
        import psycopg

        with psycopg.connect(environment["DATABASE_URL"]) as connection:
            mine = connection.execute(
                "SELECT pid FROM pg_stat_activity WHERE datname = current_database()"
                " AND pid <> pg_backend_pid()"
            )
            pids += [pid for (pid,) in mine]
    on_cpu = [
        int(_read_or_nothing(task).split()[0] or 0)
        for pid in pids
        for task in Path(f"/proc/{pid}/task").glob("*/schedstat")
    ]
    return sum(on_cpu) / 1e6


def _read_or_nothing(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b"0"  # it has ended meanwhile


def fill() -> None:
    """Many editions made of the demo's three, in bulk, with the index rows that publishing makes."""
    setup()
    from datetime import timedelta

    from django.db import connection, transaction

    from labsite.models import User
    from reports.index import card_row, finding_rows, search_text
    from reports.models import (
        Edition,
        PublishedCard,
        PublishedFinding,
        PublishedProduct,
        Summary,
    )
    from specimens.models import Product
    from trials.models import Study

    started = time.perf_counter()
    by = User.objects.order_by("pk")[0]
    samples = [(e, e.content) for e in Edition.objects.all()]
    products = {
        e.pk: list(Product.objects.filter(published_in__card__edition=e)) for e, _ in samples
    }
    made = 0
    while made < EDITIONS:
        batch = range(made, min(made + 200, EDITIONS))  # the site ends idle transactions
        with transaction.atomic():
            studies = Study.objects.bulk_create(
                Study(
                    slug=f"bulk-{k:05d}",
                    title=f"{samples[k % 3][1]['study']['title']} {k:05d}",
                    question=samples[k % 3][1]["study"]["question"],
                    kind=samples[k % 3][1]["study"]["kind"],
                    is_invented=True,
                )
                for k in batch
            )
            summaries = Summary.objects.bulk_create(
                Summary(
                    study=study,
                    inputs_digest=f"{k:064d}",
                    engine_version="bulk",
                    computed_at=samples[0][0].published_at,
                )
                for k, study in zip(batch, studies, strict=True)
            )
            contents = [
                _content(samples[k % 3][1], study) for k, study in zip(batch, studies, strict=True)
            ]
            editions = Edition.objects.bulk_create(
                Edition(
                    study=study,
                    summary=summary,
                    number=1,
                    headline=content["edition"]["headline"],
                    content=content,
                    digest=f"{k:064d}",
                    published_at=samples[0][0].published_at - timedelta(hours=2 * k + 1),
                    published_by=by,
                )
                for k, study, summary, content in zip(
                    batch, studies, summaries, contents, strict=True
                )
            )
            cards = PublishedCard.objects.bulk_create(
                PublishedCard(
                    study=edition.study,
                    edition=edition,
                    published_at=edition.published_at,
                    year=edition.published_at.year,
                    search_text=search_text(content, products[samples[k % 3][0].pk]),
                    **card_row(content),
                )
                for k, edition, content in zip(batch, editions, contents, strict=True)
            )
            PublishedFinding.objects.bulk_create(
                PublishedFinding(card=card, **row)
                for k, card, content in zip(batch, cards, contents, strict=True)
                for row in finding_rows(content, (p.kind for p in products[samples[k % 3][0].pk]))
            )
            PublishedProduct.objects.bulk_create(
                PublishedProduct(card=card, product=product, kind=product.kind)
                for k, card in zip(batch, cards, strict=True)
                for product in products[samples[k % 3][0].pk]
            )
        made = batch.stop
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    print(f"Filled {made:,} editions in {time.perf_counter() - started:.0f} s.")


def _content(sample: dict[str, Any], study: Any) -> dict[str, Any]:
    """The sample under another name, without what only its own page shows."""
    return sample | {
        "study": sample["study"] | {"slug": study.slug, "title": study.title},
        "readings": [],
        "cautions": [],
        "trends": [],
        "analysis": {},
    }


def write(part: str, text: str) -> None:
    """The tables into the document, between the marks of their part."""
    begin, end = f"<!-- {part} -->", f"<!-- end of {part} -->"
    before, rest = WHERE.read_text().split(begin, 1)
    after = rest.split(end, 1)[1]
    WHERE.write_text(f"{before}{begin}\n\n{text}\n\n{end}{after}")


if __name__ == "__main__":
    parts = {"--prepare": prepare, "--fill": fill, "--storage": measure_storage}
    next((part for flag, part in parts.items() if flag in sys.argv), main)()
