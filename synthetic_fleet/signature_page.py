"""Draws the signatures of all causes as small multiples: `python -m synthetic_fleet.signature_page` writes one SVG."""

import sys
from pathlib import Path

from synthetic_fleet import corrections as c
from synthetic_fleet.constants import Constants, constants_of
from synthetic_fleet.scenario import read_scenario
from synthetic_fleet.signatures import shares, signature

FAMILY = "Hawthorn 3.0 V6"  # has every correction
COLUMNS, WIDTH, HEIGHT, GAP, HEAD = 4, 310, 92, 14, 56
TITLE = (
    f"What each cause does at severity 1, {FAMILY}, cylinder 1 and bank 1: share of each correction's way to its limit "
    "(dashed), settled and noise-free"
)
STYLE = (
    ".t{font-size:12px;font-weight:600;fill:#222}.n{font-size:10px;fill:#444}.a{stroke:#444;fill:none}"
    ".l{stroke:#bbb;stroke-dasharray:2 3;fill:none}"
)
# Groups of corrections in the model's order: first index, label, colour (told apart by colour-blind readers).
GROUPS = (
    (c.LTFT, "trims b1", "#0072b2"),
    (c.LTFT + 4, "trims b2", "#56b4e9"),
    (c.ADD, "offset", "#0072b2"),
    (c.IAC, "idle air", "#e69f00"),
    (c.CLOSED, "throttle", "#8c5a2b"),
    (c.MAF, "air meter", "#009e73"),
    (c.MAP, "pressure", "#555555"),
    (c.SHIFT, "oxygen", "#cc79a7"),
    (c.CAT, "catalyst", "#7a3b69"),
    (c.KNOCK, "knock", "#d55e00"),
    (c.SEG, "crank", "#666666"),
    (c.CAM, "cams", "#999933"),
    (c.INJ, "injectors", "#004d80"),
    (c.PRESS, "fuel", "#882255"),
    (c.PURGE, "vapour, tank", "#117733"),
    (c.TORQUE, "torque", "#b38600"),
    (c.COOLANT, "rest", "#333333"),
)


def group_of(index: int) -> tuple[int, str, str]:
    """The group that a correction belongs to."""
    return [group for group in GROUPS if group[0] <= index][-1]


def panel(title: str, moved: dict[str, float], left: float, top: float) -> list[str]:
    """One cause: a bar for each correction that moves, up towards the high limit and down towards the low one."""
    middle, step = top + HEIGHT / 2 + 8, WIDTH / c.COUNT
    half = HEIGHT / 2 - 10
    out = [
        f'<text x="{left:g}" y="{top + 8:g}" class="t">{title}</text>',
        f'<path d="M{left:g} {middle:g}h{WIDTH}" class="a"/>',
        f'<path d="M{left:g} {middle - half:g}h{WIDTH}M{left:g} {middle + half:g}h{WIDTH}" class="l"/>',
    ]
    for code, share in moved.items():
        index = c.INDEX[code]
        size = half * max(-1.0, min(1.0, share))
        if abs(size) >= 0.6:
            x, y = left + index * step, middle - max(size, 0.0)
            colour = group_of(index)[2]
            out.append(f'<path d="M{x:.0f} {y:.1f}h3v{abs(size):.1f}h-3z" fill="{colour}"><title>{code}</title></path>')
    if max((abs(share) for share in moved.values()), default=0.0) < 0.02:
        out.append(
            f'<text x="{left + 8:g}" y="{middle - 6:g}" class="n">no shift: scatter of the segments grows</text>'
        )
    return out


def page(constants: Constants) -> str:
    """The whole picture as SVG text."""
    causes = list(constants.scenario["causes"])
    rows = -(-len(causes) // COLUMNS)
    width, height = COLUMNS * (WIDTH + GAP) + GAP, HEAD + rows * (HEIGHT + GAP + 10) + GAP
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif">',
        f"<style>{STYLE}</style>",
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        f'<text x="{GAP}" y="18" class="t">{TITLE}</text>',
    ]
    x = float(GAP)
    for _, label, colour in GROUPS:
        out.append(f'<path d="M{x:g} 32h8v8h-8z" fill="{colour}"/><text x="{x + 11:g}" y="40" class="n">{label}</text>')
        x += 22 + 5.6 * len(label)
    for k, cause in enumerate(causes):
        left = GAP + (k % COLUMNS) * (WIDTH + GAP)
        top = HEAD + (k // COLUMNS) * (HEIGHT + GAP + 10)
        moved = shares(constants, signature(constants, FAMILY, cause))
        out += panel(f"{k + 1}. {cause.replace('_', ' ')}", moved, left, top)
    return "\n".join([*out, "</svg>", ""])


def main() -> None:
    """Write the picture beside this module, or to the file named on the command line."""
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "signatures.svg"
    target.write_text(page(constants_of(read_scenario())), encoding="utf-8")


if __name__ == "__main__":
    main()
