"""A bench drawn at random, wrong within what its file says, and the notebook of one loop weighed on it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from .bodies import Body, block, cylinder, sphere
from .magnets import SheetMagnet
from .materials import KINDS, Material, Scaled
from .sample import Sample
from .truth import MU0, descending, figures, open_at

Floats = NDArray[np.float64]

#: Gravity at 53.4 degrees and 60 m (WGS 84 and free air, see tests/published), and the air's lift of the
#: balance's own weights.
GRAVITY = 9.81373
PER_KG = GRAVITY * (1 - 1.2 / 8000)

SHAPES = ("disc", "thin disc", "tall cylinder", "block", "rod", "sphere")
MAGNETS = ("cylinder", "block", "ring")
SATURATION = ("well", "nearly", "not")
#: What is beside the file: the lift's scale, the magnet's core, a sample whose saturation grows with height,
#: an axis missed.
BESIDE = ("nothing", "scale", "core", "graded", "offset")


@dataclass
class Case:
    """One bench and sample, the text of its files, and what is true of it."""

    strata: dict[str, str]
    bench_file: str
    notebook: str
    true: dict[str, float]
    #: The figures of the loop whose largest field is the one that every cell has seen: what the bench can
    #: reach.
    reached: dict[str, float]
    #: How far the major loop is open, by M, in the field that every cell has seen.
    open: float
    parts: dict[str, object] = field(default_factory=dict)
    solved_to: float = 0.0


def _pick(
    rng: np.random.Generator, names: tuple[str, ...] | list[str], share: list[float] | None = None
) -> str:
    return str(rng.choice(np.array(names), p=share))


def _body(shape: str, sizes: dict[str, float], around: int, fold: int) -> Body:
    """``around`` sectors of the angle (1: the field is round), of 1/(2 ``fold``) of the circle."""
    if shape in ("block", "rod"):
        tall = shape == "rod"
        return block(
            sizes["length"],
            sizes["width"],
            sizes["height"],
            4 if tall else 10,
            (16 if tall else 12) - 4 * (fold == 1),
            whole=fold == 1,
        )
    if shape == "sphere":
        return sphere(sizes["diameter"], 5, 16 if around < 4 else 12, around, fold)
    layers = {"disc": 14, "thin disc": 10, "tall cylinder": 20}[shape]
    rings = {"disc": 6, "thin disc": 9, "tall cylinder": 4}[shape]
    return cylinder(
        sizes["diameter"],
        sizes["height"],
        rings - (around > 1),
        layers - (layers // 3) * (around > 3),
        around,
        fold,
    )


class FieldMap:
    """Field (T) and gradient (T/m), averaged over each cell, at any gap in a range, as it is or turned."""

    def __init__(
        self, magnet: SheetMagnet, body: Body, height: float, gaps: tuple[float, float], offset: float
    ) -> None:
        """``gaps`` are the smallest and largest, in m."""
        shift = 2.5e-3
        self._shift = shift
        knots = np.geomspace(gaps[0] + shift, gaps[1] + shift, 48) - shift
        points = body.points
        self._splines = []
        for turned in (False, True):
            z = height - points[..., 2] if turned else points[..., 2]
            x, y = points[..., 0] + offset, points[..., 1]
            both = [
                np.concatenate(
                    [magnet.field(x, y, z + g).mean(axis=1), magnet.gradient(x, y, z + g).mean(axis=1)]
                )
                for g in knots
            ]
            self._splines.append(CubicSpline(np.log(knots + shift), np.array(both)))

    def at(self, gap: float, turned: bool) -> tuple[Floats, Floats]:
        """Field and gradient by cell."""
        both = self._splines[turned](np.log(gap + self._shift))
        half = len(both) // 2
        return both[:half], both[half:]


def _magnet(rng: np.random.Generator, shape: str) -> dict[str, float]:
    if shape == "cylinder":
        d = rng.uniform(14e-3, 30e-3)
        return {"diameter": d, "height": d * rng.uniform(0.35, 0.9)}
    if shape == "block":
        a = rng.uniform(14e-3, 28e-3)
        return {"length": a, "width": a * rng.choice([1.0, 1.0, 0.7]), "height": a * rng.uniform(0.35, 0.8)}
    d = rng.uniform(18e-3, 30e-3)
    return {
        "outer_diameter": d,
        "inner_diameter": rng.uniform(4e-3, 8e-3),
        "height": d * rng.uniform(0.3, 0.7),
    }


def _sizes(rng: np.random.Generator, shape: str) -> dict[str, float]:
    mm = 1e-3
    match shape:
        case "disc":
            return {"diameter": rng.uniform(4, 8) * mm, "height": rng.uniform(1.8, 3.5) * mm}
        case "thin disc":
            return {"diameter": rng.uniform(5, 9) * mm, "height": rng.uniform(0.7, 1.3) * mm}
        case "tall cylinder":
            return {"diameter": rng.uniform(2.5, 4) * mm, "height": rng.uniform(5, 9) * mm}
        case "block":
            return {
                k: rng.uniform(*r) * mm
                for k, r in {"length": (4, 7), "width": (3, 6), "height": (2, 3.5)}.items()
            }
        case "rod":
            a = rng.uniform(1.5, 2.5) * mm
            return {"length": a, "width": a, "height": rng.uniform(5, 8) * mm}
        case _:
            return {"diameter": rng.uniform(3, 5) * mm}


def _solid(
    shape: str, sizes: dict[str, float], remanence: float, core: float, core_size: float
) -> SheetMagnet:
    # The remanence is the mean one: a core that is stronger leaves a rim that is weaker.
    remanence /= 1 + core * core_size**2
    if shape == "block":
        length, width = sizes["length"], sizes["width"]
    else:
        length = width = sizes.get("diameter", sizes.get("outer_diameter", 0.0))
    hole = sizes.get("inner_diameter", 0.0)
    return SheetMagnet(shape, length, width, sizes["height"], remanence, hole, core, core_size)


def draw(seed: int, *, lifted: bool = False, exact: bool = False, plain: bool = False) -> Case:
    """The case of this seed: the bench, the file that says it nearly, the loop weighed on it and its true
    figures.

    What would be on a better bench: ``lifted``, on a lift, if it was not; ``exact``, by a file that says the
    bench as it is and is sure of it; ``plain``, with nothing beside the file.
    """
    rng = np.random.default_rng([18, seed])
    shape = _pick(rng, SHAPES, [0.3, 0.1, 0.15, 0.2, 0.12, 0.13])
    magnet_shape = _pick(rng, MAGNETS, [0.5, 0.25, 0.25])
    kind = _pick(rng, list(KINDS))
    saturation = _pick(rng, SATURATION, [0.5, 0.25, 0.25])
    beside = _pick(rng, BESIDE, [0.52, 0.12, 0.12, 0.12, 0.12])
    ladder = _pick(rng, ("lift", "spacers"), [0.75, 0.25])
    turned_part = _pick(rng, ("sample", "magnet"))
    coupled = _pick(rng, ("none", "mean field"), [0.65, 0.35])
    count = int(rng.choice([8, 10, 12, 16, 20, 26, 32, 40]))

    stated_magnet, stated_sizes = _magnet(rng, magnet_shape), _sizes(rng, shape)
    u_size, u_contact, u_remanence = (
        0.01e-3 * rng.integers(1, 3),
        1e-5 * rng.integers(2, 6),
        0.005 * rng.integers(1, 5),
    )
    u_spacer = 0.005e-3
    stated_remanence, stated_contact = rng.uniform(1.2, 1.4), rng.uniform(0.7e-3, 1.5e-3)
    off = rng.standard_normal
    true_magnet = {k: v + 0.01e-3 * off() for k, v in stated_magnet.items()}
    true_sizes = {k: v + u_size * off() for k, v in stated_sizes.items()}
    contact = stated_contact + u_contact * off()
    remanence = stated_remanence + u_remanence * off()
    scale = 5e-3 * off() if beside == "scale" else 0.0
    core = 0.03 * off() if beside == "core" else 0.0
    core_size = rng.uniform(0.4, 0.8)
    offset = float(abs(0.5e-3 * off())) if beside == "offset" else 0.0
    grading = 0.04 * off() if beside == "graded" else 0.0
    material = KINDS[kind](rng)
    if plain:
        scale = core = offset = grading = 0.0

    round_field = magnet_shape != "block" and not offset
    square = magnet_shape == "block" and stated_magnet["length"] == stated_magnet["width"] and not offset
    around, fold = (1, 2) if round_field else (2, 4) if square else (3, 2) if not offset else (4, 1)
    body = _body(shape, true_sizes, around, fold)
    magnet = _solid(magnet_shape, true_magnet, remanence, core, core_size)
    height = true_sizes.get("height", true_sizes.get("diameter", 0.0))
    far = rng.uniform(25e-3, 45e-3)
    where = FieldMap(magnet, body, height, (contact * 0.9, far * 1.03), offset)

    # The closest gap: over a ring the one of the strongest mean field, or a little nearer.
    closest = stated_contact
    if magnet_shape == "ring":
        gaps = np.linspace(stated_contact, 0.5 * far, 200)
        strength = [float(body.volume @ where.at(g, False)[0]) for g in gaps]
        closest = gaps[int(np.argmax(strength))]
        if rng.random() < 0.4:
            closest = max(stated_contact, closest - rng.uniform(0.5e-3, 2e-3))
    spacer_true, used = 1e-3 + u_spacer * off(), np.array([], dtype=int)
    if ladder == "spacers":
        first = round((closest - stated_contact) / 1e-3)
        most = max(int((far - stated_contact) / 1e-3), first + 8)
        used = np.unique(np.round(np.geomspace(1, most - first + 1, count) - 1).astype(int)) + first
        heights = used * 1e-3
    elif rng.random() < 0.5:
        heights = np.geomspace(closest, far, count) - stated_contact
    else:
        heights = closest - stated_contact + (far - closest) * np.linspace(0, 1, count) ** 2
    heights = np.round(np.sort(heights), 6)
    jitter = np.cumsum(2e-6 * off(64)) if ladder == "spacers" else np.zeros(64)
    if lifted:
        ladder = "lift"

    # How hard the sample is, by the field its least exposed cell sees at the closest gap.
    best = np.min(where.at(contact + heights[0] * (1 + scale), False)[0]) / MU0
    ratio = {"well": rng.uniform(2.0, 4.5), "nearly": rng.uniform(1.3, 2.0), "not": rng.uniform(0.7, 1.3)}[
        saturation
    ]
    mean_saturation = rng.uniform(180e3, 400e3)
    inside = max(best - 0.5 * body.factor * mean_saturation, 0.4 * best)
    own, width = _own_loop(material)
    # A mean field of either sign, in units of the coercivity at saturation; a steep loop must not turn back
    # on itself.
    feels = rng.uniform(-0.25, 0.35) if coupled == "mean field" else 0.0
    feels = min(feels, 0.5 * width)
    hard = Scaled(
        material,
        mean_saturation * (1 + grading * (body.height_of - 0.5) * 2),
        inside / ratio / own,
        feels * inside / ratio / mean_saturation,
    )

    rows, solved = _weigh(
        rng,
        where,
        Sample(body, hard),
        heights,
        contact,
        ladder == "spacers",
        turned_part == "sample",
        spacer_true,
        jitter,
        scale,
        used,
        (contact, 1 + scale) if exact else (stated_contact, 1.0),
        magnet_shape == "ring",
    )
    top = body.factor * mean_saturation + 12 * hard.field
    true = figures(*descending(body, hard, top))
    true["squareness"] = true["remanence_A_per_m"] / mean_saturation
    reached = figures(*descending(body, hard, best, 200))
    apart = open_at(body, hard, best)
    strata = {
        "sample": shape,
        "magnet": magnet_shape,
        "material": kind,
        "saturation": saturation,
        "beside the file": beside,
        "gaps": "8-12" if count <= 12 else "16-20" if count <= 20 else "26-40",
        "ladder": ladder,
        "turned": turned_part,
        "interaction": coupled,
    }
    if exact:
        stated_magnet, stated_sizes = true_magnet, true_sizes
        stated_remanence, stated_contact = remanence, contact
        u_remanence = u_size = u_contact = u_spacer = 0.0
    file = _bench_text(
        stated_magnet,
        magnet_shape,
        stated_sizes,
        shape,
        stated_remanence,
        u_remanence,
        u_size,
        stated_contact,
        u_contact,
        ladder,
        u_spacer,
        sure=exact,
    )
    return Case(
        strata, file, rows, true, reached, apart, {"body": body, "material": hard, "closest": best}, solved
    )


def _own_loop(material: Material) -> tuple[float, float]:
    """Coercivity of a material in a closed circuit, in its own field scale, and the distance of M = +- Mr/2
    by it."""
    state, _ = material.respond(material.start(1), np.array([12.0]))
    remanence = float(material.respond(state, np.zeros(1))[1][0])

    def where(level: float) -> float:
        low, high = 0.0, 4.0
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (
                (middle, high)
                if material.respond(state, np.array([-middle]))[1][0] > level
                else (low, middle)
            )
        return low

    return where(0.0), (where(-remanence / 2) - where(remanence / 2)) / where(0.0)


def _weigh(
    rng: np.random.Generator,
    where: FieldMap,
    sample: Sample,
    heights: Floats,
    contact: float,
    spacers: bool,
    turns_sample: bool,
    spacer: float,
    jitter: Floats,
    scale: float,
    used: NDArray[np.int_],
    noted: tuple[float, float],
    ring: bool,
) -> tuple[str, float]:
    """The notebook's text: in, out, turned over, in, out, turned back, in; by contact gap and scale as they
    are ``noted``."""
    out = len(heights) - 1
    inward, outward = list(range(out, -1, -1)), list(range(1, out + 1))
    passages = [(1, inward), (1, outward), (-1, inward), (-1, outward), (1, inward)]
    u_reading = 1e-6 * rng.uniform(0.8, 2.0)
    lines = [("spacers" if spacers else "gap_mm") + ",orientation,reading_g,u_g"]
    last = None
    for orientation, places in passages:
        turned = turns_sample and orientation < 0
        for k in places:
            if spacers:
                gap = contact + used[k] * spacer + jitter[used[k]]
            else:
                gap = contact + heights[k] * (1 + scale) + 2e-6 * rng.standard_normal()
            if spacers and last is not None:
                # The sample is taken off to change the spacers.
                sample.apply(np.zeros(len(sample.body.volume)))
            elif ring and last is not None:
                for between in np.linspace(last, gap, 4)[1:-1]:
                    sample.apply(orientation * where.at(between, turned)[0] / MU0)
            b, db = where.at(gap, turned)
            m = sample.apply(orientation * b / MU0)
            attraction = -orientation * float(sample.body.volume @ (m * db))
            reading = -attraction / PER_KG + u_reading * rng.standard_normal()
            place = f"{used[k]}" if spacers else f"{1e3 * (noted[0] + heights[k] * noted[1]):.4f}"
            lines.append(f"{place},{orientation:+d},{1e3 * reading:.4f},{1e3 * u_reading:.5f}")
            last = gap
    return "\n".join(lines) + "\n", sample.worst


def _bench_text(
    magnet: dict[str, float],
    magnet_shape: str,
    sizes: dict[str, float],
    shape: str,
    remanence: float,
    u_remanence: float,
    u_size: float,
    contact: float,
    u_contact: float,
    ladder: str,
    u_spacer: float,
    sure: bool,
) -> str:
    """The bench file: each size with its uncertainty; ``sure`` of what it does not state otherwise."""

    def lengths(values: dict[str, float], u: float) -> str:
        return "".join(f'{k} = "{1e3 * v:.5f} mm +/- {1e3 * u:.4f} mm"\n' for k, v in values.items())

    kind = {"rod": "block", "block": "block", "sphere": "sphere"}.get(shape, "cylinder")
    text = f'[reference_magnet]\nshape = "{magnet_shape}"\n{lengths(magnet, 0.01e-3)}'
    text += 'core_excess = "0 +/- 0"\n' if sure else ""
    text += f'remanence = "{remanence:.6f} T +/- {u_remanence:.4f} T"\n'
    text += f'[sample]\nname = "WP-07"\nshape = "{kind}"\n{lengths(sizes, u_size)}'
    text += f'[gap]\ncontact = "{1e3 * contact:.5f} mm +/- {1e3 * u_contact:.4f} mm"\nladder = "{ladder}"\n'
    if ladder == "spacers":
        text += f'spacer = "1.0000 mm +/- {1e3 * u_spacer:.4f} mm"\nspacers = 60\n'
    text += '[lift]\nport = "none"\nscale = "1 +/- 0"\n' if sure else ""
    text += '[balance]\nresolution = "0.1 mg"\ncapacity = "1200 g"\nattraction = "lighter"\n'
    return text + '[site]\nlatitude = "53.4 deg"\naltitude = "60 m"\ntemperature = "20 degC"\n'
