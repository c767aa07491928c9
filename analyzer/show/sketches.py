"""Line drawings beside questions and advice: where to look, how to lay a piece. Own drawings, SVG, light and dark alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

_STYLE = (
    "<style>*{vector-effect:non-scaling-stroke}.l{fill:none;stroke:#26302f;stroke-width:2;stroke-linecap:round;stroke-linejoin:round}"
    ".t{fill:none;stroke:#26302f;stroke-width:1;stroke-dasharray:4 4}.m{fill:#c98a5c;fill-opacity:.35;stroke:#26302f;stroke-width:2}"
    ".a{fill:none;stroke:#9a3d00;stroke-width:3;stroke-linecap:round;stroke-linejoin:round}.w{fill:#5a93b8;fill-opacity:.45}"
    ".k{fill:#9a3d00}.g{fill:#4f9a86;fill-opacity:.7}text{font:600 13px sans-serif;fill:#26302f}"
    "@media (prefers-color-scheme:dark){.l,.m,.t{stroke:#e6e2d8}.a{stroke:#ffb27a}.k{fill:#ffb27a}text{fill:#e6e2d8}}</style>"
)


@dataclass(frozen=True, kw_only=True)
class Sketch:
    """``svg`` stands alone; ``words`` say what it shows to who cannot see it."""

    svg: str
    words: str


def _svg(body: str, width: int = 280, height: int = 120) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img">{_STYLE}{body}</svg>'
    )


def _pipe(left: float = 20, right: float = 260, top: float = 40, bottom: float = 80) -> str:
    """A pipe from the side."""
    middle, wide = (top + bottom) / 2, (bottom - top) / 2
    return (
        f'<path class="m" d="M{left},{top}H{right}V{bottom}H{left}z"/>'
        f'<ellipse class="m" cx="{left}" cy="{middle}" rx="8" ry="{wide}"/>'
    )


def _arrow(x1: float, y1: float, x2: float, y2: float) -> str:
    """From the first place to the second, with a head there."""
    long = max(((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5, 1e-6)
    ux, uy = (x2 - x1) / long, (y2 - y1) / long
    left, right = (x2 - 9 * ux - 5 * uy, y2 - 9 * uy + 5 * ux), (x2 - 9 * ux + 5 * uy, y2 - 9 * uy - 5 * ux)
    return (
        f'<path class="a" d="M{x1:.1f},{y1:.1f}L{x2:.1f},{y2:.1f}M{left[0]:.1f},{left[1]:.1f}L{x2:.1f},{y2:.1f}'
        f'L{right[0]:.1f},{right[1]:.1f}"/>'
    )


def _words(x: float, y: float, text: str, anchor: str = "middle") -> str:
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}">{text}</text>'


def _ring(cx: float, cy: float, outer: float, inner: float) -> str:
    return f'<circle class="m" cx="{cx}" cy="{cy}" r="{outer}"/><circle class="l" cx="{cx}" cy="{cy}" r="{inner}"/>'


_CUT_OPEN = '<path class="m" d="M30,45H250V62Q250,96 240,96H20Q30,96 30,62z"/><path class="l" d="M30,45Q14,70 20,96M250,45Q236,70 240,96"/>'

# By the id of a question in ``data/quantities.toml``.
OF_QUESTIONS: Mapping[str, Sketch] = {
    "positions": Sketch(
        svg=_svg(
            _ring(70, 60, 46, 36)
            + '<path class="w" d="M35,68A36,36 0 0 0 105,68z"/>'
            + _words(70, 30, "top")
            + _words(70, 92, "bottom")
            + _arrow(150, 68, 108, 68)
            + _words(156, 72, "water line", "start")
        ),
        words="A pipe seen from its end: top above, bottom below, water line between water and air.",
    ),
    "run": Sketch(
        svg=_svg(
            '<path class="m" d="M20,84H120V100H20z"/>'
            + _words(70, 76, "horizontal")
            + '<path class="m" d="M150,20H166V100H150z"/>'
            + _words(158, 116, "riser")
            + '<path class="m" d="M186,84H264V100H186zM224,44H238V84H224z"/><path class="l" d="M220,44H242"/>'
            + _words(231, 36, "dead leg")
        ),
        words="A level pipe, an upright pipe (riser) and a branch that ends closed (dead leg).",
    ),
    "crown_marked": Sketch(
        svg=_svg(_pipe() + '<path class="a" d="M30,46H250"/>' + _words(140, 30, "TOP") + _arrow(100, 66, 180, 66)),
        words="A pipe with a line along its top and an arrow of the flow on its side, drawn before it is cut.",
    ),
    "flow_arrow": Sketch(
        svg=_svg(_pipe() + _arrow(70, 60, 210, 60) + _words(140, 104, "from meter or heater to the tap")),
        words="A pipe with an arrow along it, from the meter or the heater towards the tap.",
    ),
    "distance_from_fitting_upstream_mm": Sketch(
        svg=_svg(
            '<path class="m" d="M16,34H64V86H16z"/>'
            + _pipe(64, 260)
            + '<ellipse class="k" cx="196" cy="60" rx="8" ry="5"/><path class="t" d="M64,90V112M196,72V112"/>'
            + _arrow(110, 104, 66, 104)
            + _arrow(150, 104, 194, 104)
            + _words(130, 100, "?")
        ),
        words="The distance from the end of the fitting to the middle of the damage.",
    ),
    "fitting_upstream": Sketch(
        svg=_svg(
            '<path class="m" d="M20,30H60Q76,30 76,46V100H54V52H20z"/>'
            + _words(40, 116, "elbow")
            + '<path class="m" d="M110,40H190V62H162V100H138V62H110z"/>'
            + _words(150, 116, "tee")
            + '<path class="m" d="M215,36H240L250,46H270V78H250L240,88H215z"/>'
            + _words(242, 116, "reducer")
        ),
        words="An elbow, a tee and a reducer.",
    ),
    "contacts": Sketch(
        svg=_svg(
            _pipe()
            + '<path class="a" d="M120,28V88Q120,98 132,98H140M120,28H152"/><path class="g" d="M124,42H146V78H124z"/>'
            + _words(214, 24, "what touched it?")
        ),
        words="A pipe with a strap round it and a green mark below the strap.",
    ),
    "tube_size": Sketch(
        svg=_svg(
            _ring(90, 60, 40, 32)
            + '<path class="t" d="M50,60V112M130,60V112"/>'
            + _arrow(76, 106, 52, 106)
            + _arrow(104, 106, 128, 106)
            + _words(150, 48, '1/2"  is 15.9 mm', "start")
            + _words(150, 68, '3/4"  is 22.2 mm', "start")
            + _words(150, 88, '1"  is 28.6 mm', "start")
        ),
        words="The outside diameter across the end of a tube: half an inch is 15.9 mm, three quarters 22.2 mm, one inch 28.6 mm.",
    ),
    "tube_type": Sketch(
        svg=_svg(
            "".join(
                _ring(46 + 94 * k, 50, 34, 34 - wall) + _words(46 + 94 * k, 55, letter) + _words(46 + 94 * k, 110, colour)
                for k, (letter, colour, wall) in enumerate((("K", "green print", 9), ("L", "blue print", 6), ("M", "red print", 4)))
            )
        ),
        words="Three tubes of one outside diameter: K thick with green print, L medium with blue print, M thin with red print.",
    ),
    "side_attacked": Sketch(
        svg=_svg(
            '<path class="m" d="M20,40H60L72,80H88L100,40H130V80H20z"/>'
            + _words(75, 30, "from above")
            + '<path class="m" d="M150,40H186L174,80H150zM202,40H260V80H226z"/>'
            + _words(200, 30, "from below")
            + _words(140, 108, "the wide mouth is where it began")
        ),
        words="Two cuts through a wall: a hole is widest on the side where the damage began.",
    ),
    "observed_pit_shape": Sketch(
        svg=_svg(
            '<path class="m" d="M14,40H34Q52,84 70,40H86V92H14z"/>'
            + _words(50, 112, "bowl")
            + '<path class="m" d="M104,40H130V76H150V40H176V92H104z"/>'
            + _words(140, 112, "sharp")
            + '<path class="m" d="M194,40H218Q196,72 230,74Q264,72 242,40H266V92H194z"/>'
            + _words(230, 112, "undercut")
        ),
        words="Cuts through three pits: a bowl, sharp edges, and edges that are undercut.",
    ),
    "observed_pattern": Sketch(
        svg=_svg(
            "".join(
                f'<g transform="translate({12 + 90 * k},0)"><path class="m" d="M0,34H76V86H0z"/>'
                + "".join(f'<circle class="k" cx="{x}" cy="{y}" r="4"/>' for x, y in dots)
                + f"</g>{_words(50 + 90 * k, 106, name)}"
                for k, (name, dots) in enumerate(
                    (
                        ("one place", ((38, 60),)),
                        ("scattered", ((14, 46), (30, 72), (46, 52), (64, 76), (60, 44))),
                        ("in a line", ((10, 76), (24, 77), (38, 76), (52, 77), (66, 76))),
                    )
                )
            )
        ),
        words="Pits in one place only, scattered, and in a line along the bottom.",
    ),
    "tube_swollen": Sketch(
        svg=_svg(
            '<path class="m" d="M20,44H90Q130,20 170,44H260V76H170Q130,100 90,76H20z"/><path class="a" d="M118,58L142,62M122,64L138,52"/>'
            '<path class="t" d="M130,24V96M230,40V80"/>'
        ),
        words="A tube that is wider at the break than further along.",
    ),
    "unreamed_ends": Sketch(
        svg=_svg(
            '<path class="m" d="M20,30H150V42H20zM20,78H150V90H20z"/><path class="a" d="M150,42Q146,54 138,54M150,78Q146,66 138,66"/>'
            '<path class="m" d="M110,18H250V30H110zM110,90H250V102H110z"/>'
            + _arrow(70, 60, 126, 60)
            + _words(200, 64, "burr")
        ),
        words="A tube end within a fitting, cut lengthwise: a burr of the cut leans into the water.",
    ),
    "water_ph": Sketch(
        svg=_svg(
            "".join(
                f'<rect x="{22 + 24 * k}" y="46" width="24" height="26" fill="{colour}" stroke="#26302f"/>'
                for k, colour in enumerate(
                    ("#c2402f", "#dd7a35", "#e5b23c", "#d5c94a", "#8fb04c", "#4f9a54", "#3a8a7b", "#386f9a", "#4a539a", "#5b3f87")
                )
            )
            + _words(34, 40, "4")
            + _words(106, 40, "7")
            + _words(250, 40, "13")
            + _words(140, 96, "at the tap, at once")
        ),
        words="The colours of a test strip from acid to alkaline; read it at the tap at once.",
    ),
    "static_pressure_kpa": Sketch(
        svg=_svg(
            '<circle class="m" cx="70" cy="52" r="38"/>'
            + _arrow(70, 52, 92, 32)
            + '<path class="l" d="M70,90V108M54,108H86"/>'
            + _words(124, 46, "on a hose tap,", "start")
            + _words(124, 66, "no water running", "start")
        ),
        words="A pressure gauge screwed onto a hose tap while no water runs.",
    ),
    "force_or_drilling": Sketch(
        svg=_svg(_pipe(20, 260, 56, 92) + _arrow(140, 10, 140, 54) + '<circle class="k" cx="140" cy="58" r="5"/>' + _words(160, 30, "screw or nail", "start")),
        words="A screw that ends at the pipe.",
    ),
    "flux_residue": Sketch(
        svg=_svg(
            _pipe() + '<path class="m" d="M110,32H170V88H110z"/><path class="g" d="M166,88Q162,108 172,114Q182,108 176,80z"/>'
            + _words(200, 112, "waxy run", "start")
        ),
        words="A waxy green-brown run below a soldered joint.",
    ),
    "material": Sketch(
        svg=_svg(_pipe() + '<path class="a" d="M110,52L160,46M112,60L158,54"/>' + _words(140, 108, "scratch a hidden spot")),
        words="Scratches at a hidden spot of the pipe, to see the colour of the bare metal.",
    ),
    "leak_dates": Sketch(
        svg=_svg(
            '<path class="l" d="M20,70H262"/>'
            + "".join(f'<path class="a" d="M{x},54V86"/>' for x in (60, 150, 190, 214))
            + _words(30, 104, "built", "start")
            + _words(262, 104, "today", "end")
            + _words(140, 40, "every leak so far, with its date")
        ),
        words="A line of years with a mark for each leak so far.",
    ),
}  # fmt: skip


def _photo(body: str, sign: str) -> str:
    """A photo's frame with what is in it and a sign of good or bad in its corner."""
    mark = (
        '<path class="a" d="M226,18L234,28L250,8"/>'
        if sign == "good"
        else '<path class="a" d="M228,8L248,28M248,8L228,28"/>'
    )
    return _svg(f'<rect class="l" x="10" y="4" width="250" height="132" rx="3"/>{body}{mark}', 270, 140)


_RULER = (
    '<path class="l" d="M40,108H230V126H40z'
    + "".join(f"M{x},108V{116 if x % 38 else 120}" for x in range(59, 230, 19))
    + '"/>'
)
_PIECE = '<path class="m" d="M44,50H228V66Q228,92 220,92H36Q44,92 44,66z"/>' + "".join(
    f'<circle class="k" cx="{x}" cy="{y}" r="3"/>' for x, y in ((90, 70), (120, 62), (126, 80), (170, 74))
)

# What makes a photo good or bad: good drawing, bad drawing.
GOOD_AND_BAD: Mapping[str, tuple[Sketch, Sketch]] = {
    "whole": (
        Sketch(svg=_photo(_PIECE + _RULER, "good"), words="Good: the whole piece and the ruler fill the picture."),
        Sketch(
            svg=_photo('<g transform="translate(120,36) scale(.4)">' + _PIECE + "</g>", "bad"),
            words="Bad: the piece is small in the picture and nothing tells its size.",
        ),
    ),
    "above": (
        Sketch(
            svg=_photo('<path class="m" d="M60,96H210V112H60z"/><rect class="l" x="118" y="20" width="36" height="10" rx="2"/>' + _arrow(136, 40, 136, 84), "good"),
            words="Good: the phone straight above the piece.",
        ),
        Sketch(
            svg=_photo('<path class="m" d="M60,96H210V112H60z"/><rect class="l" x="30" y="20" width="36" height="10" rx="2" transform="rotate(-50 48 25)"/>' + _arrow(60, 42, 110, 86), "bad"),
            words="Bad: the phone aslant.",
        ),
    ),
    "height": (
        Sketch(
            svg=_photo('<path class="l" d="M20,112H250"/><path class="m" d="M60,112Q60,70 110,70Q160,70 160,112z"/><path class="a" d="M176,91H240"/><path class="t" d="M176,91V112M240,91V112"/>', "good"),
            words="Good: the card lies as high as the metal.",
        ),
        Sketch(
            svg=_photo('<path class="l" d="M20,112H250"/><path class="m" d="M60,112Q60,40 110,40Q160,40 160,112z"/><path class="a" d="M176,112H240"/>', "bad"),
            words="Worse: the card lies on the table far below the metal.",
        ),
    ),
    "light": (
        Sketch(
            svg=_photo(_PIECE + _arrow(22, 22, 62, 44) + _words(30, 20, "light from the side", "start"), "good"),
            words="Good: light from the side, no flash.",
        ),
        Sketch(
            svg=_photo(_PIECE + '<ellipse class="w" cx="132" cy="66" rx="52" ry="20"/>' + _words(132, 28, "flash"), "bad"),
            words="Bad: a flash that shines back from the metal.",
        ),
    ),
}  # fmt: skip
