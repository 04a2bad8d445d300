"""`weighloop demag`: the demagnetising factor of a sample shape."""

from __future__ import annotations

import click

from ..common import OneOf, Quantity, json_option, print_json, table

LENGTH = Quantity("m")


@click.command("demag")
@click.option("--shape", type=OneOf(["cylinder", "block", "sphere", "spheroid"]), required=True)
@click.option("--diameter", type=LENGTH, help="Of a cylinder or sphere; of a spheroid, the equatorial one.")
@click.option("--height", type=LENGTH, help="Along the magnetisation.")
@click.option("--length", type=LENGTH, help="Of a block.")
@click.option("--width", type=LENGTH, help="Of a block.")
@json_option
def command(shape: str, as_json: bool, **lengths: float | None) -> None:
    """Demagnetising factor of a sample magnetised along its height.

    Magnetometric (volume average), for a susceptibility of zero: H internal = H applied - N M.
    """
    from ....analysis.magnetostatics.demagnetising_factor import demag

    given = {name: value for name, value in lengths.items() if value is not None}
    try:
        factor = demag(shape, **given)
    except (TypeError, ValueError) as error:
        raise click.UsageError(str(error)) from None
    if as_json:
        print_json({"N_axial": factor.axial, "N_transverse": factor.transverse, "method": factor.method})
        return
    rows = [["N axial", f"{factor.axial:.6f}"], ["N transverse", f"{factor.transverse:.6f}"]]
    print(table(["factor", "value"], rows))
    print(f"Method: {factor.method}")
