"""`trivet serve`."""

from __future__ import annotations

import os
import sys
from typing import Any

import uvicorn

from cds.service.app import create_app
from cds.service.desk import Desk
from cds.service.knowledge import load_knowledge
from cds.service.settings import Settings

KEEP_ALIVE_SECONDS = 5


def run(settings: Settings) -> None:
    """Serve until stopped. The settings were checked. Whatever keeps the service from starting is raised before the address is opened."""
    options: dict[str, Any] = {
        "host": settings.host,
        "port": settings.port,
        "access_log": False,  # it would hold addresses of clients beside times of calls; the ledger holds what is wanted
        "server_header": False,
        "log_level": settings.log_level.lower(),
        "timeout_keep_alive": KEEP_ALIVE_SECONDS,
        "lifespan": "on",
    }
    if sys.platform != "win32":
        options |= {"loop": "uvloop", "http": "httptools"}
    if settings.workers == 1:
        desk = Desk(settings)
        _say(settings)
        uvicorn.run(create_app(settings, desk=desk), **options)
        return
    load_knowledge(settings)  # what would stop every worker is said once, here
    os.environ |= {"TRIVET_HOST": settings.host, "TRIVET_PORT": str(settings.port), "TRIVET_WORKERS": str(settings.workers)}
    _say(settings)
    uvicorn.run("cds.service.app:app_from_environment", factory=True, workers=settings.workers, **options)


def _say(settings: Settings) -> None:
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    open_door = "" if settings.loopback else " (no authentication: only what stands in front of it keeps strangers out)"
    print(f"Trivet serves http://{host}:{settings.port}/cds-services{open_door}", flush=True)
    print(f"Ledger and keys are in {settings.data}", flush=True)
    print(f"Back up {settings.key_folder} apart from the ledger. Signed heads go to {settings.witness_file}: better on another host", flush=True)
