"""The console command `trivet`."""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path
from typing import Annotated, Any, Literal

import pydantic
import pydantic_settings
import typer

import cds
from cds.audit.errors import LedgerError
from cds.logic.scene import KnowledgeError
from cds.parameters import ParameterError
from cds.service.settings import Settings, SettingsError

REFUSED = 2
"""Exit code where nothing was done because the settings, the request or the arguments do not allow it."""

app = typer.Typer(
    name="trivet",
    help="A second reader for the resuscitation bay: CDS Hooks in, advisory cards out. It advises; the clinician decides.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
ledger = typer.Typer(no_args_is_help=True, help="Read the ledger: every call, what was judged and why, what was answered. Nothing is ever changed here.")
app.add_typer(ledger, name="ledger")


def settings_from(**given: Any) -> Settings:
    """The settings, arguments before environment before file. SettingsError in plain words for whatever does not fit."""
    try:
        return Settings(**{name: value for name, value in given.items() if value is not None})
    except pydantic.ValidationError as error:
        faults = [f"TRIVET_{'.'.join(str(part) for part in fault['loc']).upper()}: {_plain(fault)}" for fault in error.errors()]
        raise SettingsError("; ".join(faults)) from error
    except (pydantic_settings.SettingsError, ValueError, OSError) as error:
        if isinstance(error, SettingsError):
            raise
        raise SettingsError(f"the settings cannot be read: {error}") from error


def _plain(fault: Any) -> str:
    text = str(fault["msg"]).removeprefix("Value error, ")
    return "there is no such setting" if fault["type"] == "extra_forbidden" else text


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"trivet {cds.__version__}")
        raise typer.Exit


@app.callback()
def _common(version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the release and stop.")] = False) -> None:
    pass


@app.command()
def serve(
    host: Annotated[str | None, typer.Option(help="Address to listen on (TRIVET_HOST).", show_default="127.0.0.1")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on (TRIVET_PORT).", show_default="8000")] = None,
    workers: Annotated[int | None, typer.Option(help="Worker processes (TRIVET_WORKERS).", show_default="1")] = None,
) -> None:
    """Serve CDS Hooks 2.0 over HTTP. Settings come from TRIVET_* in the environment and from the file TRIVET_SETTINGS_FILE; arguments win."""
    from cds.cli.serve import run

    run(settings_from(host=host, port=port, workers=workers).checked())


@app.command()
def advise(
    file: Annotated[str, typer.Argument(help="A CDS Hooks request, or a Bundle of one patient's chart with drafts (status draft); - reads standard input.")],
    at: Annotated[str | None, typer.Option("--at", metavar="TIME", help="Judge as of this instant, e.g. 2026-03-14T08:20:00Z, instead of now.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer as the service would send it.")] = False,
) -> None:
    """Judge one request and print the cards. Nothing is recorded, and no override is remembered.

    Exit code 0: answered, with or without cards. 2: refused; the reason and its path in the request are printed.
    """
    from cds.cli.advise import run

    raise typer.Exit(run(settings_from(), file, at, as_json=as_json))


@app.command()
def knowledge(
    markdown: Annotated[bool, typer.Option("--markdown", help="Print the reference page, adults and children, as Markdown.")] = False,
    code: Annotated[str | None, typer.Option("--code", help="One advisory only.")] = None,
    child: Annotated[bool, typer.Option("--child", help="The figures for children instead of those for adults.")] = False,
) -> None:
    """Print the advisories: criteria in words, every figure with its unit, its value for each profile, its source and how that was read."""
    from cds.cli.knowledge import run

    raise typer.Exit(run(settings_from(), code, markdown=markdown, child=child))


Kinds = Literal["start", "call", "delivered", "feedback", "refused", "mode", "blob", "read", "gap", "finding"]


@ledger.command("list")
def list_(
    since: Annotated[str | None, typer.Option(help="From this day or instant on, e.g. 2026-03-14 or 2026-03-14T08:00:00Z.")] = None,
    code: Annotated[str | None, typer.Option(help="Only calls whose answer carried this advisory.")] = None,
    kind: Annotated[Kinds | None, typer.Option(help="Only records of this kind.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many, newest first.")] = 50,
    data: Annotated[Path | None, typer.Option(help="Data folder (TRIVET_DATA).")] = None,
) -> None:
    """List records, newest first: time, record, kind, service, outcome, advisories."""
    from cds.cli.ledger import list_records

    raise typer.Exit(list_records(settings_from(data=data), since, code, kind, limit))


@ledger.command()
def show(
    record: Annotated[str, typer.Argument(metavar="ID", help="Stream and sequence (00:17), the uuid of a card, or a request id.")],
    data: Annotated[Path | None, typer.Option(help="Data folder (TRIVET_DATA).")] = None,
) -> None:
    """Show one record: header, every rule with its result and why, the cards as they were sent, and the feedback on them."""
    from cds.cli.ledger import show_record

    raise typer.Exit(show_record(settings_from(data=data), record))


@ledger.command()
def verify(
    witness: Annotated[Path | None, typer.Option(help="Signed heads that were kept elsewhere (default: TRIVET_WITNESS).", show_default=False)] = None,
    key: Annotated[Path | None, typer.Option(help="Public key of the heads, PEM (default: heads.pub beside the key).", show_default=False)] = None,
    data: Annotated[Path | None, typer.Option(help="Data folder (TRIVET_DATA).")] = None,
) -> None:
    """Derive every chain and every signed head again from what is stored, and name each place that does not agree. Exit code 1 on damage."""
    from cds.cli.ledger import verify_ledger

    raise typer.Exit(verify_ledger(settings_from(data=data), witness, key))


@ledger.command()
def proof(
    record: Annotated[str | None, typer.Argument(metavar="ID", help="Stream and sequence (00:17), the uuid of a card, or a request id.")] = None,
    head: Annotated[int | None, typer.Option(min=1, help="Under this signed head instead of the newest.", show_default=False)] = None,
    since_head: Annotated[
        int | None, typer.Option(min=1, help="Instead of a record: prove that the ledger only grew since this head.", show_default=False)
    ] = None,
    data: Annotated[Path | None, typer.Option(help="Data folder (TRIVET_DATA).")] = None,
) -> None:
    """Print a proof as JSON for somebody who does not have the ledger; deploy/verify_ledger.py checks it."""
    from cds.cli.ledger import prove

    raise typer.Exit(prove(settings_from(data=data), record, head, since_head))


@ledger.command()
def replay(
    since: Annotated[str | None, typer.Option(help="From this day or instant on.")] = None,
    code: Annotated[str | None, typer.Option(help="Only calls whose answer carried this advisory.")] = None,
    data: Annotated[Path | None, typer.Option(help="Data folder (TRIVET_DATA).")] = None,
) -> None:
    """Judge every recorded call again from its record alone and compare byte for byte.

    Exit code 1 where an answer of this release comes out different.
    """
    from cds.cli.ledger import replay_records

    raise typer.Exit(replay_records(settings_from(data=data), since, code))


def main() -> None:
    """Run the command; what was foreseen to go wrong is one line on standard error and exit code 2."""
    try:
        app()
    except (SettingsError, ParameterError, KnowledgeError, LedgerError, sqlite3.Error) as error:
        print(f"trivet: {error}", file=sys.stderr)
        sys.exit(REFUSED)
    except OSError as error:
        print(f"trivet: {error.strerror or error}{f': {error.filename}' if error.filename else ''}", file=sys.stderr)
        sys.exit(REFUSED)
