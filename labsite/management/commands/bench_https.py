"""Serve the site over https on the lab's own network."""

import os
import signal
import socket
import subprocess
import sys
from types import FrameType
from typing import Any

import segno
from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from labsite import processes, trust_guide
from labsite.authority import Papers, ensure_papers
from labsite.models import Lab

STOP_WITHIN_SECONDS = 15


class Command(BaseCommand):
    """`manage.py bench_https`: certificates, the guide for tablets, and the web process."""

    help = (
        "Serve the site over https on the lab's network, with an authority of the lab's own, and "
        "show how a tablet is brought to trust it. The work in the background needs "
        "`manage.py worker` too."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--host",
            action="append",
            default=[],
            help="A name or address by which tablets call this machine; may be given again. "
            "Without it, this machine's address on its network.",
        )
        parser.add_argument("--port", type=int, default=8443)
        parser.add_argument("--guide-port", type=int, default=8080)
        parser.add_argument("--processes", type=int, default=2)
        parser.add_argument(
            "--renew", action="store_true", help="Make the server's certificate anew now."
        )
        parser.add_argument(
            "--only-papers", action="store_true", help="Make the certificates and serve nothing."
        )

    def handle(self, *, host: list[str], port: int, guide_port: int, **options: Any) -> None:
        hosts = host or [own_address()]
        lab = Lab.objects.first()
        name = lab.name if lab else "The lab"
        try:
            papers = ensure_papers(
                settings.VAR_DIR / "https",
                lab=name,
                hosts=[*hosts, "localhost"],
                renew=options["renew"],
            )
        except ValueError as refused:
            raise CommandError(str(refused)) from refused
        bench_url = f"https://{_in_address(hosts[0])}:{port}/bench/"
        guide_url = f"http://{_in_address(hosts[0])}:{guide_port}/"
        self._tell(papers, bench_url=bench_url, guide_url=guide_url)
        if options["only_papers"]:
            return
        guide = trust_guide.Guide(
            lab=name,
            bench_url=bench_url,
            guide_url=guide_url,
            fingerprint=papers.fingerprint,
            authority_pem=papers.authority.read_bytes(),
        )
        try:
            stop_guide = trust_guide.serve_guide(trust_guide.pages_of(guide), port=guide_port)
        except OSError as error:
            raise CommandError(
                f"Port {guide_port} for the guide cannot be used ({error.strerror}). Choose "
                "another one with --guide-port."
            ) from error
        try:
            self._serve(papers, hosts=hosts, port=port, web_processes=options["processes"])
        finally:
            stop_guide()

    def _tell(self, papers: Papers, *, bench_url: str, guide_url: str) -> None:
        what = "New certificate" if papers.was_renewed else "Certificate"
        self.stdout.write(f"{what} for this server, valid until {papers.valid_until:%d %B %Y}.")
        self.stdout.write("It is renewed by itself when this command starts near that day.")
        self.stdout.write(f"  Bench                    {bench_url}")
        self.stdout.write(f"  How a tablet trusts it   {guide_url}")
        self.stdout.write("  SHA-256 of the authority, to compare on the tablet:")
        self.stdout.write(f"  {papers.fingerprint}")
        if self.stdout.isatty():
            segno.make(guide_url, error="m").terminal(out=sys.stdout, compact=True)
        self.stdout.flush()

    def _serve(self, papers: Papers, *, hosts: list[str], port: int, web_processes: int) -> None:
        command = processes.web_command(host="0.0.0.0", port=port, processes=web_processes)  # nosec B104  # tablets call it
        command += [f"--certfile={papers.server}", f"--keyfile={papers.server_key}"]
        named = [name for name in os.environ.get("ALLOWED_HOSTS", "").split(",") if name]
        child = subprocess.Popen(  # nosec B603  # a list of our own making; no shell reads it
            command,
            cwd=settings.BASE_DIR,
            env={**os.environ, "TLS_HERE": "true", "ALLOWED_HOSTS": ",".join([*named, *hosts])},
            preexec_fn=processes.end_with_parent,
        )

        def stop(number: int, frame: FrameType | None) -> None:
            child.terminate()

        before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            code = child.wait()
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
            _end(child)
        if code not in (0, -signal.SIGTERM):
            raise CommandError(
                f"The web process ended (exit code {code}). Its last words are above."
            )


def own_address() -> str:
    """This machine's address on the network it would send from; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("10.254.254.254", 9))
        except OSError as error:
            raise CommandError(
                "This machine is on no network. Say by which name or address tablets call it: "
                "--host 192.168.1.20"
            ) from error
        return str(probe.getsockname()[0])


def _in_address(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _end(child: "subprocess.Popen[bytes]") -> None:
    if child.poll() is None:
        child.terminate()
        try:
            child.wait(STOP_WITHIN_SECONDS)
        except subprocess.TimeoutExpired:
            child.kill()
