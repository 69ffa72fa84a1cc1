"""`tccbench node`: one end of the bench as a process of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bench.bus_options import bus_option, calibration_option, clock_option, map_options, send_option, wait_option
from bench.options import drive_option, rules_option, vehicle_option

if TYPE_CHECKING:
    from bus.clock import Clock
    from bus.line import Line
    from bus.receive import Receiver


@click.group()
def node() -> None:
    """Run one end of the bench: the simulated vehicle, or the controller's rules."""


@node.command()
@bus_option()
@map_options
@vehicle_option
@drive_option
@rules_option
@clock_option
@wait_option
@send_option
@click.option("--log", "log_path", default=None, metavar="FILE", help="Write every frame to a candump log.")
def vehicle(
    url: str, map_name: str, dbc_path: str | None, vehicle: str, drive: str, rules_file: str | None, clock: str,
    wait_s: float, may_send: bool, log_path: str | None,
) -> None:  # fmt: skip  # the options
    """Drive a simulated vehicle whose clutch is commanded over the bus.

    Ends with exit code 1 where the controller falls silent; the duty is then 0.
    """
    from bench.bus_log import log_file
    from bench.bus_session import need_bus_packages, on_line, told_in_one_line

    need_bus_packages()
    from bus.binding import load_binding
    from bus.clock import LockStep, RealTime
    from bus.nodes import (
        TICK_MS,
        Link,
        OtherProcessLockStep,
        OtherProcessRealTime,
        OverBus,
        VehicleNode,
    )
    from bus.scheduler import Scheduler
    from controller.user_rules import load_rules
    from sim.drives import load_drive
    from sim.loop import simulate
    from sim.vehicle import load_vehicle

    binding = load_binding(map_name, load_rules(rules_file), dbc_path)
    _need_lock_step(binding.time_message is not None, clock, map_name)
    truck, script = load_vehicle(vehicle), load_drive(drive)
    timer: Clock = LockStep() if clock == "lock-step" else RealTime()
    scheduler = Scheduler(timer)
    with told_in_one_line(), log_file(log_path) as log, on_line(url, binding, "vehicle", may_send) as line:
        end = VehicleNode(binding, line, scheduler)
        link: Link = OtherProcessLockStep(end) if clock == "lock-step" else OtherProcessRealTime(end, scheduler)
        link.start(wait_s)
        line.set_log(log)
        last_ms = round(script.duration_s * 100) * TICK_MS - TICK_MS
        result = simulate(truck, script, OverBus(end, link, "over the bus", last_ms))
    click.echo(f"drive {script.name} is over: {script.duration_s:g} s, {len(result.engagements)} engagements")
    _show_line(line, end.receiver, timer)


@node.command()
@bus_option()
@map_options
@calibration_option
@rules_option
@clock_option
@wait_option
@send_option
@click.option("--stay", is_flag=True, help="Wait for the next vehicle when one has ended or fallen silent.")
def controller(
    url: str, map_name: str, dbc_path: str | None, calibration: str, rules_file: str | None, clock: str,
    wait_s: float, may_send: bool, stay: bool,
) -> None:  # fmt: skip  # the options
    """Run the rules behind a bus, as a controller does.

    On any error and on Ctrl-C it announces duty 0 and falls silent. Ends with exit code 1 where the vehicle falls
    silent.
    """
    from bench.bus_session import need_bus_packages, on_line, told_in_one_line

    need_bus_packages()
    from bus.binding import load_binding
    from bus.clock import LockStep, RealTime
    from bus.errors import SilenceError
    from bus.nodes import ControllerNode, serve_lock_step, serve_real_time
    from bus.scheduler import Scheduler
    from controller.calibration import load_calibration
    from controller.straight import Straight
    from controller.user_rules import load_rules

    rules = load_rules(rules_file)
    binding = load_binding(map_name, rules, dbc_path)
    _need_lock_step(binding.time_message is not None, clock, map_name)
    values = load_calibration(calibration, rules).values
    timer: Clock = LockStep() if clock == "lock-step" else RealTime()
    with told_in_one_line(), on_line(url, binding, "controller", may_send) as line:
        end = ControllerNode(binding, line, lambda: Straight(rules, values))
        click.echo(f"controller on {url}, map {binding.title!r}; waiting for a vehicle")
        while True:
            try:
                if clock == "lock-step":
                    last_ms = serve_lock_step(end, None if stay else wait_s)
                else:
                    timer = RealTime()
                    last_ms = serve_real_time(end, Scheduler(timer), None if stay else wait_s)
            except SilenceError as silence:
                if not stay:
                    raise
                click.echo(str(silence))
            else:
                click.echo(f"the vehicle has ended its drive at {last_ms / 1000:.2f} s; the duty is 0")
            if not stay:
                break
            end.power_up()
    _show_line(line, end.receiver, timer)


def _need_lock_step(has_time: bool, clock: str, map_name: str) -> None:
    from bus.known import PHASE_SIGNAL, TIME_SIGNAL
    from controller.errors import UserError

    if clock == "lock-step" and not has_time:
        raise UserError(f"{map_name}: lock-step needs {TIME_SIGNAL} and {PHASE_SIGNAL} bound in one message from the "
                        "vehicle; without them give --clock real")  # fmt: skip


def _show_line(line: Line, receiver: Receiver, timer: Clock) -> None:
    click.echo(f"frames: {line.sent} sent, {line.heard} heard, {receiver.lost_frames} lost, "
               f"{receiver.refused_frames} refused, {line.garbled} garbled")  # fmt: skip
    late = timer.lateness()
    if late is not None:
        click.echo(f"lateness of {late.ticks} waits: median {late.median_us} µs, 99 % {late.p99_us} µs, "
                   f"worst {late.worst_us} µs")  # fmt: skip
