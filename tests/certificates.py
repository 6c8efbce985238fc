"""An invented certification authority and certificates of its own, by the openssl command."""

from __future__ import annotations

import hashlib
import ssl
import subprocess
from pathlib import Path

from tests.servers.missing import missing


class Authority:
    """One authority; its files lie in a folder."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder = folder
        self._name = name
        folder.mkdir(exist_ok=True)
        self.certificate = folder / f"{name}.pem"
        self._key = folder / f"{name}.key"
        self._openssl(
            *("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", f"/CN=Invented {name}", "-keyout", self._key, "-out", self.certificate),
        )

    def issue(self, name: str, address: str | None = None, *, days: int = 2) -> tuple[Path, Path]:
        """Make a certificate, which may name an IP address, and its key.

        With ``days`` below 0 it has expired.
        """
        certificate, key = self._folder / f"{name}.pem", self._folder / f"{name}.key"
        request = self._folder / f"{name}.csr"
        self._openssl(
            *("req", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN=Invented {name}"),
            *("-keyout", key, "-out", request),
        )
        extensions = self._folder / f"{name}.ext"
        extensions.write_text("" if address is None else f"subjectAltName = IP:{address}\n")
        self._openssl(
            *(
                "x509",
                "-req",
                "-extfile",
                extensions,
                "-days",
                str(days),
                "-in",
                request,
                "-out",
                certificate,
            ),
            *("-CA", self.certificate, "-CAkey", self._key, "-CAcreateserial"),
        )
        return certificate, key

    @staticmethod
    def _openssl(*words: str | Path) -> None:
        try:
            subprocess.run(["openssl", *map(str, words)], check=True, capture_output=True)
        except FileNotFoundError:
            missing("openssl", "apt-get install openssl")


def sha256_of(certificate: Path) -> str:
    return hashlib.sha256(ssl.PEM_cert_to_DER_cert(certificate.read_text())).hexdigest()


class Pki:
    """An authority of the group's, and a stranger's; each certificate with its key."""

    def __init__(self, folder: Path) -> None:
        self.ours = Authority(folder, "authority")
        self.server = self.ours.issue("intake")
        self.station = self.ours.issue("station-1")
        self.other = self.ours.issue("station-2")
        self.stranger = Authority(folder, "foreign authority").issue("stranger")
