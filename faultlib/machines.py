"""Machines that simulate for a laboratory, in the words of a command line.

A worker whose program or ngspice differs from ours is told apart and refused: what it simulates
would be kept in the store as ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from circuits.bench.cluster import Cluster as Cluster
from faultlib.fingerprint import likeness


def machines(address: str, certificates: Sequence[Path] = ()) -> Cluster:
    """Where a laboratory sends its work.

    Parameters
    ----------
    address : str
        Of the scheduler of a cluster, ``tls://host:8786``; or ``local:4`` for workers here.
    certificates : sequence of Path
        None, or three files (PEM): of the authority, our certificate and its key.

    Raises
    ------
    InputError
        For an address that is none, or certificates that do not go with it.
    """
    if not certificates:
        return Cluster(address, alike=likeness)
    authority, certificate, key = certificates
    return Cluster(address, authority, certificate, key, likeness)
