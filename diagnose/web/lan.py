"""The page for a tablet at the bench: this machine's address there, and its certificate.

The certificate is made by the ``openssl`` command, which Debian has wherever it has certificates;
Python's ``ssl`` uses certificates but makes none, and a library that does would bring more code
than all of the page's server. It vouches for itself, so a browser warns; that it is the right one
shows by its fingerprint, which stands in the terminal.
"""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import subprocess
import time
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from ipaddress import IPv4Address
from pathlib import Path

from circuits.errors import InputError
from circuits.leftovers import passing_folder

_NOWHERE = ("192.0.2.1", 9)
"""An address that is kept for documents (RFC 5737): the system is asked by which way it would go
there, and nothing is sent."""
_DAYS = 90
"""Days that a certificate holds (judgement): a browser that has let it pass asks again after."""
_RENEWED = 30 * 86400.0
"""s: an older one is made anew at the next start, long before it ends."""
_PATIENCE = 30.0
"""s that the making of a certificate may take on a busy machine; it takes a tenth."""


@dataclass(frozen=True)
class Certificate:
    """A certificate with its key, in files of one's own.

    Attributes
    ----------
    fingerprint : str
        SHA-256 of its DER form, as browsers show it: 32 pairs of hexadecimal digits.
    """

    path: Path
    key: Path
    fingerprint: str

    def context(self) -> ssl.SSLContext:
        """What a server needs."""
        made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        made.minimum_version = ssl.TLSVersion.TLSv1_2  # RFC 8996: none before it
        made.load_cert_chain(self.path, self.key)
        return made


def own_address(given: str = "") -> str:
    """The address of this machine on its local network.

    Parameters
    ----------
    given : str
        The one that is meant, where there are several; empty for that of the usual way out.

    Raises
    ------
    InputError
        Where there is none, or where it is one that the whole world can reach.
    """
    if not given:
        with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            asked.connect(_NOWHERE)
            given = str(asked.getsockname()[0])
    if not given:
        raise InputError("this machine has no way to a network",
                         expected="a network, or --lan ADDRESS of this machine")
    try:
        address = IPv4Address(given)
    except ValueError:
        raise InputError(f"{given!r} is no address", expected="such as 192.168.1.20") from None
    if address.is_unspecified or address.is_multicast or not address.is_private:
        raise InputError(f"{given} is not an address within a local network",
                         expected="one of this machine, such as 192.168.1.20 (RFC 1918)")
    return given


def certificate(folder: Path, address: str) -> Certificate:
    """The certificate for an address: the one that is kept, or a new one.

    It is kept so that the fingerprint stays, and a tablet that has let it pass need not be asked
    at every start.

    Parameters
    ----------
    folder : Path
        Where it is kept; others cannot read it.

    Raises
    ------
    InputError
        Where it cannot be made.
    """
    path, key = folder / f"{address}.crt", folder / f"{address}.key"
    with suppress(OSError, ValueError):
        if 0.0 <= time.time() - path.stat().st_mtime < _RENEWED and key.is_file():
            return Certificate(path, key, _fingerprint(path))
    command = shutil.which("openssl")
    if command is None:
        raise InputError("--lan needs the openssl command, to make a certificate",
                         expected="apt-get install openssl")
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder.chmod(0o700)
        with passing_folder("certificate") as made:  # which nobody else can read
            _make(command, made / "crt", made / "key", address)
            for new, kept in ((made / "key", key), (made / "crt", path)):
                kept.unlink(missing_ok=True)
                kept.touch(mode=0o600)
                kept.write_bytes(new.read_bytes())
        return Certificate(path, key, _fingerprint(path))
    except (OSError, ValueError, subprocess.SubprocessError) as error:
        raise InputError(f"the certificate could not be made: {_reason(error)}",
                         expected=f"a working openssl command, and room in {folder}") from None


def _make(command: str, path: Path, key: Path, address: str) -> None:
    """Let openssl make a certificate (RFC 5280) that names the address, and sign it with its key.

    P-256 is what every browser takes; the two extensions say that it is a server's and no
    authority's, so that letting it pass lets nothing else pass.
    """
    subprocess.run(
        [command, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-sha256", "-days", str(_DAYS), "-subj", "/CN=bench page",
         "-addext", f"subjectAltName=IP:{address}",
         "-addext", "basicConstraints=critical,CA:FALSE",
         "-addext", "extendedKeyUsage=serverAuth", "-keyout", str(key), "-out", str(path)],
        check=True, capture_output=True, timeout=_PATIENCE, stdin=subprocess.DEVNULL,
        env={**os.environ, "LC_ALL": "C"},
    )


def _reason(error: Exception) -> str:
    if isinstance(error, subprocess.CalledProcessError):
        told = error.stderr.decode("utf-8", "replace").strip()
        return told.splitlines()[-1] if told else str(error)
    return str(error)


def _fingerprint(path: Path) -> str:
    """SHA-256 over the certificate's DER form, in pairs of digits with colons."""
    whole = ssl.PEM_cert_to_DER_cert(path.read_text(encoding="ascii"))
    return sha256(whole).digest().hex(":").upper()
