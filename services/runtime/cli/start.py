"""``gomphosis start``: all services on this machine, or one of them."""

from threading import Thread
from typing import TYPE_CHECKING, Annotated

import typer

from services.runtime.cli.exits import Exit, plain_errors, stderr

if TYPE_CHECKING:
    from services.runtime.store import Store


def start(
    service: Annotated[
        str, typer.Argument(help="One service; leave out to start all of them.")
    ] = "all",
    health_port: Annotated[
        int | None, typer.Option(help="Port of /healthz; the setting health.port where left out.")
    ] = None,
    supervisor: Annotated[int | None, typer.Option(hidden=True)] = None,
) -> None:
    """Start all services on this machine, or one of them; SIGTERM finishes the work in hand.

    Examples:

      gomphosis start           every service, each started again when it ends by itself

      gomphosis start intake    one service, as the compose file runs it
    """
    from services.runtime.logs import configure_logs
    from services.runtime.service import Runner, open_runtime, services_here
    from services.runtime.settings import load_settings

    with plain_errors():
        settings = load_settings()
        first_port = settings.health.port if health_port is None else health_port
        configure_logs(settings.log, service)
        if service == "all":
            raise typer.Exit(_start_all(first_port))
        if service not in (known := services_here(settings)):
            stderr.print(f"service {service}: expected one of {', '.join(known)}", markup=False)
            raise typer.Exit(Exit.WRONG_USE)
        runtime = open_runtime(service, settings)
        _expect_current_schema(runtime.store)
        runner = Runner(runtime, first_port)
        if supervisor is not None:
            from services.runtime.cli.supervisor import stop_without

            watch = (supervisor, runner.stop)
            Thread(target=stop_without, args=watch, name="supervisor", daemon=True).start()
        raise typer.Exit(runner.run())


def _start_all(first_health_port: int) -> int:
    from services.runtime.cli.supervisor import Supervisor
    from services.runtime.migrate import migrate
    from services.runtime.service import services_here
    from services.runtime.settings import load_settings
    from services.runtime.store import Store

    settings = load_settings()
    settings.data_dir.mkdir(parents=True, exist_ok=True)
    store = Store(settings.store_url)
    try:
        migrate(store)
    finally:
        store.close()
    return Supervisor(services_here(settings), first_health_port).run()


def _expect_current_schema(store: "Store") -> None:
    from services.runtime.migrate import current_revision, wanted_revision
    from services.runtime.store import StoreError

    found, wanted = current_revision(store), wanted_revision()
    if found != wanted:
        raise StoreError(
            f"store schema: expected revision {wanted}, found {found or 'none'}; "
            "run 'gomphosis migrate' first"
        )
