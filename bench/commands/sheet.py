"""`tccbench sheet`: engine speeds gear by gear, and the page that the customer takes home."""

from __future__ import annotations

import click

from bench.options import Within, out_option, rules_option, vehicle_option


@click.command(short_help="Engine speed per gear, and the customer's page.")
@vehicle_option
@click.option("--calibration", default=None, metavar="NAME|FILE", help="Calibration; without it, the vehicle's own.")
@rules_option
@click.option("--cruise", "cruise_kmh", type=Within(20, 200), default=100.0, show_default=True,
              metavar="KM/H", help="Cruising speed shown beside engage and release.")  # fmt: skip
@click.option("--surface", default="sealed", show_default=True, metavar="NAME", help="Level ground for clutch out.")
@click.option("--for", "customer", default="", metavar="TEXT", help="Name written on the customer's page.")
@out_option
def sheet(
    vehicle: str,
    calibration: str | None,
    rules_file: str | None,
    cruise_kmh: float,
    surface: str,
    customer: str,
    out_dir: str,
) -> None:
    """Show engine speed per gear at engage, release and cruise, and write the customer's page (sheet.html)."""
    from bench.cautions import CAUTIONS
    from bench.comparison import default_calibration, misfit
    from bench.customer_sheet import customer_page
    from bench.gear_table import gear_tables, tyre_findings
    from bench.out_files import ready_folder, write_whole
    from bench.terminal import print_table, print_verdict
    from controller.calibration import load_calibration
    from controller.errors import UserError
    from controller.suggest import nearest
    from controller.user_rules import load_rules
    from sim.road import SURFACES
    from sim.vehicle import load_vehicle

    if surface not in SURFACES:
        raise UserError(f"--surface {surface!r} is not known; {nearest(surface, list(SURFACES))}")
    rules, chosen = load_rules(rules_file), load_vehicle(vehicle)
    values = load_calibration(calibration or default_calibration(vehicle, rules_file), rules)
    wrong = misfit(values, chosen)
    if wrong:
        raise UserError(wrong)
    folder = ready_folder(out_dir)
    click.echo(f"vehicle {chosen.name}, calibration {values.name} ({values.title})\n")
    print_verdict(tyre_findings(chosen, values))
    for table in gear_tables(chosen, values, cruise_kmh, surface):
        print_table(table)
    path = folder / "sheet.html"
    write_whole(path, [customer_page(chosen, values, rules, cruise_kmh, customer)])
    for caution in CAUTIONS:
        click.echo(caution)
    click.echo(f"written: {path}")
