"""Commands that run a night: the demo and the server."""

from pathlib import Path
from typing import Annotated

import typer

from haunt.cli.words import DEFAULT_DATA, Data, config_of, say


def demo(
    port: Annotated[int, typer.Option(help="Port of the pages; 0: any.")] = 8080,
    speed: Annotated[float, typer.Option(help="2 brings twice as many visitors.")] = 1.0,
    seed: Annotated[int | None, typer.Option(help="The same number, the same visitors.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print it.")] = False,
    broker: Annotated[
        str, typer.Option(help="auto, or library: the one that comes along.")
    ] = "auto",
) -> None:
    """Show an invented garden at work, with simulated boards and visitors."""
    from haunt.bootstrap.demo import DemoConfig, run_demo  # noqa: PLC0415 - keeps --help fast

    def opened(url: str) -> None:
        if not no_browser:
            import webbrowser  # noqa: PLC0415

            webbrowser.open(url)

    config = DemoConfig(port, speed, seed, broker)
    raise typer.Exit(run_demo(config, say, opened))


def serve(  # noqa: PLR0917 - options are parameters
    data: Data = DEFAULT_DATA,
    listen: Annotated[str | None, typer.Option(help="HOST:PORT of the pages; port 0: any.")] = None,
    mqtt: Annotated[str | None, typer.Option(help="HOST:PORT of the kept broker.")] = None,
    broker: Annotated[
        str | None, typer.Option(help="auto, library or mqtt[s]://HOST:PORT.")
    ] = None,
    broker_ca: Annotated[
        str | None, typer.Option("--broker-ca", help="PEM of the authority of an mqtts:// broker.")
    ] = None,
    database: Annotated[str | None, typer.Option(help="SQLAlchemy URL; default SQLite.")] = None,
    show: Annotated[Path | None, typer.Option(help="Show file to import at the start.")] = None,
    name: Annotated[
        str | None, typer.Option(help="Host names that browsers use for it, commas between.")
    ] = None,
    mdns: Annotated[
        str | None, typer.Option(help="Name announced on the network (NAME.local), or off.")
    ] = None,
    tls: Annotated[
        str | None, typer.Option(help="auto: https where haunt certs made a certificate; on; off.")
    ] = None,
    webhook: Annotated[
        str | None, typer.Option(help="URL that alerts are posted to, as JSON.")
    ] = None,
    log: Annotated[
        str | None, typer.Option(help="warnings, or each motion's way to its cue: text or json.")
    ] = None,
) -> None:
    """Run the show: broker, rules, journal, pages."""
    from haunt.bootstrap.server import run_server  # noqa: PLC0415 - keeps --help fast

    flags = {
        "listen": listen,
        "mqtt": mqtt,
        "broker": broker,
        "broker_ca": broker_ca,
        "database": database,
        "show": str(show) if show is not None else None,
        "name": name,
        "mdns": mdns,
        "tls": tls,
        "webhook": webhook,
        "log": log,
    }
    config = config_of(data, flags)
    raise typer.Exit(run_server(config, say=say))
