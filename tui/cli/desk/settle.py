"""`weighloop settle`: the settling filter over a recorded stream."""

from __future__ import annotations

from pathlib import Path

import click

from ..common import Quantity, json_option, print_json

MASS = Quantity("kg", "1 mg")


@click.command("settle")
@click.argument("stream", type=click.Path(path_type=Path))
@click.option("--resolution", type=MASS, required=True, help="The balance's last digit, such as 1mg.")
@click.option("--target", type=MASS, help="The standard uncertainty wanted; twice the resolution by default.")
@json_option
def command(stream: Path, resolution: float, target: float | None, as_json: bool) -> None:
    """Run the settling filter over a recorded stream (CSV with time_s,reading_g and optionally stable).

    Reading stops at the moment of acceptance. When the stream ends first, the reason is given.
    """
    from ....analysis.files.recording import read_stream
    from ....analysis.settling import settle_stream

    if resolution <= 0 or (target is not None and target <= 0):
        raise click.UsageError("resolution and target are above zero")
    record = read_stream(stream)
    state = settle_stream(record.time, record.reading, record.mark, resolution, target or 2 * resolution)

    def grams(value: float | None) -> float | None:
        return None if value is None else value * 1e3

    if as_json:
        print_json(
            {
                "accepted": state.accepted,
                "value_g": grams(state.value),
                "u_g": grams(state.u),
                "at_s": state.at,
                "drift_g_per_s": grams(state.drift),
                "reason": state.reason,
            }
        )
        return
    if state.accepted and state.value is not None and state.u is not None and state.drift is not None:
        print(f"Accepted at {state.at:.2f} s: {state.value * 1e3:.5f} g, u = {state.u * 1e6:.3g} mg")
        print(f"Drift: {state.drift * 1e6:+.3g} mg/s")
    else:
        print(f"Not accepted: {state.reason}. {state.text}")
