"""Which of a process's sockets reach the network, as Linux tells it."""

from __future__ import annotations

import re
from pathlib import Path


def internet_sockets(pid: int) -> set[str]:
    """The inodes of a process's sockets that belong to TCP, UDP or raw IP, listening or not."""
    opened = set()
    for descriptor in Path(f"/proc/{pid}/fd").iterdir():
        try:
            opened |= set(re.findall(r"socket:\[(\d+)\]", str(descriptor.readlink())))
        except FileNotFoundError:
            continue  # closed meanwhile
    known = set()
    for table in ("tcp", "tcp6", "udp", "udp6", "raw", "raw6"):
        lines = Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:]
        known |= {line.split()[9] for line in lines}
    return opened & known
