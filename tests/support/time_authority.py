"""A time-stamping authority of RFC 3161 on loopback: `openssl ts` behind one HTTP address."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

_CONFIG = """
[req]
distinguished_name = name
[name]
[root]
basicConstraints = critical, CA:true
keyUsage = critical, keyCertSign
[signer]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = critical, timeStamping
[tsa]
default_tsa = here
[here]
serial = serial
signer_cert = signer.pem
certs = root.pem
signer_key = signer.key
signer_digest = sha256
default_policy = 1.3.6.1.4.1.32473.1
digests = sha256
ess_cert_id_alg = sha256
"""  # the policy's arc is kept for documentation (RFC 5612)


def openssl(home: Path, *words: str) -> bytes:
    return subprocess.run(["openssl", *words], cwd=home, capture_output=True, check=True).stdout


def make_authority(home: Path) -> Path:
    """Make a root and a signer in `home`; return the root's certificate."""
    (home / "ca.conf").write_text(_CONFIG)
    (home / "serial").write_text("01\n")
    new = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-config", "ca.conf")
    openssl(
        home, "req", "-x509", *new, "-subj", "/CN=root of stamps", "-extensions", "root", "-days", "30",
        "-keyout", "root.key", "-out", "root.pem",
    )  # fmt: skip
    openssl(home, "req", *new, "-subj", "/CN=signer of stamps", "-keyout", "signer.key", "-out", "signer.csr")
    openssl(
        home, "x509", "-req", "-in", "signer.csr", "-CA", "root.pem", "-CAkey", "root.key", "-set_serial", "7",
        "-days", "30", "-extfile", "ca.conf", "-extensions", "signer", "-out", "signer.pem",
    )  # fmt: skip
    return home / "root.pem"


@contextmanager
def time_authority(home: Path) -> Iterator[str]:
    """Answer requests for stamps with what is in `home`; give the address."""

    class Answers(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            (home / "query.tsq").write_bytes(self.rfile.read(int(self.headers["Content-Length"])))
            answer = openssl(home, "ts", "-reply", "-config", "ca.conf", "-queryfile", "query.tsq")
            self.send_response(200)
            self.send_header("Content-Type", "application/timestamp-reply")
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Answers)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
