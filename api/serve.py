"""``fluebook serve``: the pages and the API of one book."""

from __future__ import annotations

import gc
import socket
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ingest.command_options import Port

if TYPE_CHECKING:
    from uvicorn import Server

LOOPBACK = "127.0.0.1"
DEFAULT_PORT = 8753
OWN_NAMES = (LOOPBACK, "localhost", "[::1]")


def open_socket(host: str, port: int) -> socket.socket:
    """Return a listening socket; port 0 takes a free one.

    Raises
    ------
    OSError
        If the port is taken.
    """
    listening = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listening.bind((host, port))
    listening.listen(128)
    return listening


def address_of(listening: socket.socket) -> str:
    """Return the address that a person opens."""
    host, port = listening.getsockname()[:2]
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def server_over(app: Any, proxies: str = "") -> Server:
    """Return the server over an application, the same for every command, test and benchmark.

    Parameters
    ----------
    app : callable
        An ASGI application.
    proxies : str
        Addresses whose word about who asks is taken, with commas between; empty takes nobody's.
    """
    import uvicorn

    from api.connection import Connection

    config = uvicorn.Config(
        app,
        http=Connection,
        ws="none",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=bool(proxies),
        forwarded_allow_ips=proxies or None,
        timeout_graceful_shutdown=20,
    )
    return uvicorn.Server(config)


def settle_memory() -> None:
    """Leave all that a server holds from its start out of the collector's rounds.

    A full round looks at every object that there is. With those of the program itself one took
    about 0.14 s, and whoever asked at that moment waited for it. What the first page would make for
    good is made before.
    """
    from api.pages.render import compile_main

    compile_main()
    gc.collect()
    gc.freeze()


def serve(
    book: Annotated[Path, typer.Option(help="The book, one file; made where it does not exist.")],
    host: Annotated[str, typer.Option(help="Interface to listen on.")] = LOOPBACK,
    port: Port = DEFAULT_PORT,
    alone: Annotated[
        bool, typer.Option("--alone", help="Nobody signs in: for this machine and its user only.")
    ] = False,
) -> None:
    """Serve a book's pages and API with one worker, which is what an embedded book is meant for.

    The first start prints a one-time link that makes the administrator.
    """
    from api.app import create_app
    from api.settings import settings_from_environment
    from api.watch import write_lines
    from ingest.intake import Intake
    from ingest.store import Book

    if alone and host not in (LOOPBACK, "localhost", "::1"):
        typer.echo(
            f"fluebook cannot serve: --alone lets anyone in who reaches {host}; leave --host out, "
            "or leave --alone out and let people sign in",
            err=True,
        )
        raise typer.Exit(1)
    try:
        listening = open_socket(host, port)
        settings = replace(settings_from_environment(), alone=alone)
        if not settings.hosts and host in (LOOPBACK, "localhost", "::1"):
            settings = replace(settings, hosts=OWN_NAMES)
    except (OSError, ValueError) as error:
        typer.echo(f"fluebook cannot serve: {error}", err=True)
        raise typer.Exit(1) from error
    write_lines(settings.log_level)
    with Book(book) as opened:
        typer.echo(address_of(listening))
        app = create_app(Intake(opened), settings)
        link = None if alone else app.state.desk.first_start()
        if link is not None:
            typer.echo(
                "Nobody has an account yet. Whoever opens this link first becomes the "
                f"administrator; it opens once, within a day:\n{address_of(listening)}first/{link}"
            )
        settle_memory()
        server_over(app, settings.proxies).run(sockets=[listening])
