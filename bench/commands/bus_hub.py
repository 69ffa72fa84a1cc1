"""`tccbench hub`: one bus for several processes, on loopback."""

from __future__ import annotations

import click


@click.command("hub")
@click.option("--port", type=click.IntRange(0, 65535), default=29536, show_default=True, help="TCP port; 0 takes any.")
def hub(port: int) -> None:
    """Let several processes of this machine share one bus, without kernel CAN.

    Nodes join with --bus slcan:socket://127.0.0.1:PORT. Only this machine can reach it. Ctrl-C ends it.
    """
    from bench.bus_session import told_in_one_line
    from bus.hub import HOST, Hub

    one = Hub(port)
    click.echo(f"hub on slcan:socket://{HOST}:{one.port}; Ctrl-C ends it")
    with told_in_one_line("the hub is closed"):
        one.serve(click.echo)
