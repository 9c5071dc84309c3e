"""The lab's own https, checked by OpenSSL, which wrote none of it.

The rules held against: RFC 5280 (path validation and name constraints, section 6 and 4.2.1.10)
as OpenSSL carries them out, and the usual limit of browsers for a server certificate's life,
398 days (from memory).
"""

import http.client
import os
import signal
import socket
import ssl
import stat
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec

from labsite import authority
from labsite.authority import ensure_papers

ROOT = Path(__file__).resolve().parents[2]
NOW = datetime.now(UTC)


@pytest.fixture
def papers(tmp_path):
    return ensure_papers(tmp_path / "https", lab="Test", hosts=["192.168.1.20", "rig.local"])


def handshake(papers, *, host: str, trusted: bool = True) -> str:
    """Shake hands in memory as a browser would; gives the fault in OpenSSL's words, or nothing."""
    server_side = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server_side.load_cert_chain(papers.server, papers.server_key)
    client_side = ssl.create_default_context(cafile=str(papers.authority) if trusted else None)
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    client = client_side.wrap_bio(to_client, to_server, server_hostname=host)
    server = server_side.wrap_bio(to_server, to_client, server_side=True)
    for _ in range(10):
        waits = 0
        for side in (client, server):
            try:
                side.do_handshake()
            except ssl.SSLWantReadError:
                waits += 1
            except ssl.SSLCertVerificationError as fault:
                return fault.verify_message
        if not waits:
            return ""
    raise AssertionError("The handshake came to no end.")


def test_a_tablet_that_trusts_the_authority_trusts_the_server(papers):
    assert handshake(papers, host="192.168.1.20") == ""
    assert handshake(papers, host="rig.local") == ""


def test_nobody_else_does(papers):
    assert "self-signed" in handshake(papers, host="rig.local", trusted=False)
    assert "mismatch" in handshake(papers, host="other.local")


def test_the_authority_cannot_vouch_for_the_wider_web(papers, tmp_path):
    """Whoever steals its key still cannot stand for a public site."""
    folder = tmp_path / "https"
    ours, key = authority._authority(folder, lab="Test", hosts=[], at=NOW)
    forged = ec.generate_private_key(ec.SECP256R1())
    certificate = authority._server_certificate(ours, key, forged, hosts=["example.org"], at=NOW)
    authority._write(folder / "server.crt", authority._pem(certificate))
    authority._write_key(folder / "server.key", forged)
    assert "permitted subtree violation" in handshake(papers, host="example.org")


def test_keys_are_for_their_owner_only(papers, tmp_path):
    for name in ("authority.key", "server.key"):
        assert stat.S_IMODE((tmp_path / "https" / name).stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "https").stat().st_mode) == 0o700


def test_the_server_certificate_is_renewed_and_the_authority_stays(papers, tmp_path):
    folder, hosts = tmp_path / "https", ["192.168.1.20", "rig.local"]
    assert papers.was_renewed
    life = x509.load_pem_x509_certificate(papers.server.read_bytes())
    assert life.not_valid_after_utc - life.not_valid_before_utc <= timedelta(days=398)

    def again(**changes):
        return ensure_papers(folder, **({"lab": "Test", "hosts": hosts} | changes))

    assert not again().was_renewed
    assert again(now=NOW + timedelta(days=350)).was_renewed
    assert again(renew=True).was_renewed
    assert again(hosts=["192.168.1.21"]).was_renewed
    assert {again().fingerprint for _ in range(2)} == {papers.fingerprint}


def test_a_name_it_was_not_made_for_is_refused_in_words(papers, tmp_path):
    with pytest.raises(ValueError, match=r"was not made for bench\.example\.org"):
        ensure_papers(tmp_path / "https", lab="Test", hosts=["bench.example.org"])


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_the_command_serves_https_and_the_guide(tmp_path):
    port, guide_port = free_port(), free_port()
    kept = {k: v for k, v in os.environ.items() if k not in ("DATABASE_URL", "ALLOWED_HOSTS")}
    environment = {**kept, "VAR_DIR": str(tmp_path), "DJANGO_SETTINGS_MODULE": "labsite.settings"}
    command = [sys.executable, "manage.py"]
    subprocess.run(
        [*command, "migrate", "--verbosity=0"], cwd=ROOT, env=environment, check=True, timeout=300
    )
    (tmp_path / "static").mkdir(exist_ok=True)
    command += ["bench_https", "--host=127.0.0.1", f"--port={port}", f"--guide-port={guide_port}"]
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(
            [*command, "--processes=1"], cwd=ROOT, env=environment, stdout=log, stderr=log
        )
    try:
        trusted = _wait_for(tmp_path / "https" / "authority.crt")
        answer = _ask_https(port, trusted, "/healthz")
        assert answer == (200, b'{"status": "ok"}')
        with pytest.raises(ssl.SSLCertVerificationError):
            _ask_https(port, None, "/healthz")
        guide = _ask_guide(guide_port, "/")
        printed = (tmp_path / "log").read_text()
        fingerprint = next(line.strip() for line in printed.splitlines() if line.count(":") > 25)
        assert fingerprint in guide.decode()
        assert f"https://127.0.0.1:{port}/bench/" in guide.decode()
        assert _ask_guide(guide_port, "/bench-authority.crt") == trusted.read_bytes()
        assert b"<svg" in _ask_guide(guide_port, "/guide.svg")
        # nothing of the var folder is reachable by the guide's server
        with pytest.raises(AssertionError, match="404"):
            _ask_guide(guide_port, "/../https/authority.key")
    finally:
        process.send_signal(signal.SIGTERM)
        code = process.wait(30)
    assert code == 0


def _wait_for(path: Path) -> Path:
    for _ in range(900):
        if path.exists():
            return path
        time.sleep(0.1)
    raise AssertionError(f"{path.name} was not made.")


def _ask_https(port: int, trusted: Path | None, path: str) -> tuple[int, bytes]:
    context = ssl.create_default_context(cafile=str(trusted) if trusted else None)
    for _ in range(300):
        connection = http.client.HTTPSConnection("127.0.0.1", port, timeout=20, context=context)
        try:
            connection.request("GET", path)
        except ConnectionRefusedError:
            time.sleep(0.2)
        else:
            answer = connection.getresponse()
            return answer.status, answer.read()
        finally:
            connection.close()
    raise AssertionError("The web process did not answer.")


def _ask_guide(port: int, path: str) -> bytes:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request("GET", path)
        answer = connection.getresponse()
        assert answer.status == 200, answer.status
        return answer.read()
    finally:
        connection.close()
