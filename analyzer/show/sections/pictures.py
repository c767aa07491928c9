"""What the figures rest on: the photo without marks, the metal laid flat, a close-up of each leading pit, ring and torch photographs."""

from __future__ import annotations

from dataclasses import replace

from analyzer.base import display
from analyzer.marks.catalogue import Pit
from analyzer.result.examination import Examination
from analyzer.show import drawing, phrases
from analyzer.show.blocks import Block, Gallery, Heading, Picture, Section, picture
from analyzer.show.edition import Edition

CLOSE_UPS = 6  # the deepest that were measured, else the largest; all stand in the table of pits


def build(examination: Examination, edition: Edition) -> Section:
    units = edition.units
    blocks: list[Block] = _whole_and_flat(examination, units)
    cut = ring(examination, units)
    if cut is not None:
        blocks.append(cut)
    close = _close_ups(examination, units)
    if close is not None:
        blocks.append(Heading(text="Close-ups: what each leading figure rests on"))
        blocks.append(close)
    series = torches(examination, units)
    if series is not None:
        blocks.append(Heading(text="The series with the torch, with the pits marked"))
        blocks.append(series)
    return Section(id="pictures", title="Pictures and evidence", blocks=tuple(blocks))


def _whole_and_flat(examination: Examination, units: str) -> list[Block]:
    surface, pits, bands = examination.standing_surface, examination.standing_pits, examination.standing_bands
    photo = examination.photo
    bare = drawing.seen_piece(photo, surface, longest_px=1200)
    left, top, right, bottom = drawing.window(photo, surface)
    scale = surface.mm_per_px.value * (right - left) / bare.shape[1] if surface.mm_per_px is not None else None
    plain = drawing.Foot(name=photo.name, sha256=photo.sha256, legend=(), mm_per_px=scale, units=units)
    marker = (
        "Light line: the marker that was measured. "
        if examination.calibration.marker_outlines_px
        else "No marker was measured. "
    )
    whole = drawing.whole_photo(photo, examination.calibration, surface, longest_px=1200)
    of_whole = None if surface.mm_per_px is None else surface.mm_per_px.value * photo.width_px / whole.shape[1]
    pair = (
        picture(
            drawing.with_foot(bare, plain),
            "The piece as photographed, without marks.",
            "Photo of the piece without any marks.",
        ),
        picture(
            drawing.with_foot(whole, replace(plain, mm_per_px=of_whole)),
            f"The whole photo. {marker}Dashed line: the metal.",
            "The whole photo with the marker and the metal outlined.",
        ),
    )
    beside = Gallery(items=pair, columns=2, page_share=0.17)
    if surface.view == "end" or surface.unit != "mm":
        return [beside]
    flat = drawing.unrolled_map(photo, surface, pits, bands, units=units, longest_px=1500)
    laid = picture(
        drawing.with_foot(flat, drawing.foot_of(examination, units, bar=False)),
        "The metal laid flat, true to size along and round the pipe; numbers as in the table of pits.",
        f"Unrolled map of the metal with {phrases.number_of(len(pits.pits), 'pit')} outlined.",
        page_share=0.2,
    )
    if laid.height_px > 0.8 * laid.width_px:  # beside the others it is larger than below them
        return [Gallery(items=(*pair, laid), columns=3, page_share=0.3)]
    return [beside, laid]


def _close_ups(examination: Examination, units: str) -> Gallery | None:
    items = crops(examination, units, most=CLOSE_UPS)
    return Gallery(items=items, columns=3, page_share=0.105, beside=True) if items else None


def crops(examination: Examination, units: str, *, most: int, side_px: int = 360) -> tuple[Picture, ...]:
    """A crop of each leading pit with number, place, size, depth, what that rests on and who judged: the deepest measured first,
    then the largest."""
    catalogue, depths = examination.standing_pits, examination.wall.pit_depths

    def leading(pit: Pit) -> tuple[bool, float, float]:
        depth = depths.get(pit.id)
        measured = depth is not None and depth.depth_mm is not None and not depth.indicative
        return measured, depth.depth_mm.value if measured else 0.0, pit.equivalent_diameter_px  # type: ignore[union-attr]

    scale = examination.standing_surface.mm_per_px
    items = []
    for pit in sorted(catalogue.pits, key=leading, reverse=True)[:most]:
        crop, enlarge = drawing.close_up(examination.photo, catalogue, pit.id, side_px=side_px)
        crop = drawing.with_bar(crop, None if scale is None else scale.value / enlarge, units)
        caption = "; ".join(_said_of(examination, pit, units))
        items.append(picture(crop, caption, f"Close-up of pit {pit.id}, outlined. {caption}"))
    return tuple(items)


def _said_of(examination: Examination, pit: Pit, units: str) -> list[str]:
    place = (
        f"x {pit.x_px:.0f}, y {pit.y_px:.0f} in the photo"
        if pit.axial_mm is None
        else f"{display.plain(pit.axial_mm, 'length_mm', units)} along, {display.plain(pit.around_mm, 'length_mm', units)} round"
    )
    opening = (
        f"{pit.equivalent_diameter_px:.0f} pixels wide"
        if pit.equivalent_diameter_mm is None
        else f"opening {display.full(pit.equivalent_diameter_mm, 'length_mm', units)}"
    )
    said = [f"Pit {pit.id}: {place}", opening]
    depth = examination.wall.pit_depths.get(pit.id)
    if depth is not None and depth.depth_mm is not None:
        if depth.indicative:
            span = display.interval(depth.depth_mm, "length_mm", units)
            said.append(f"depth {span} {display.unit('length_mm', units)}, a range from its mouth alone")
        else:
            said.append(f"depth {display.full(depth.depth_mm, 'length_mm', units)} by {depth.evidence}")
    else:
        said.append("depth not known")
    said.append(
        "judged by hand"
        if pit.by_hand
        else f"judged by the program, {100 * pit.confidence:.0f} of 100 like it are pits"
    )
    return said


def ring(examination: Examination, units: str) -> Gallery | None:
    """The cut ring with its edges, on whichever photo it was measured, with that photo's name and hash."""
    found = examination.standing_ring
    if found is None:
        return None
    photo = next((extra for extra in examination.photos if extra.role == "ring"), examination.photo)
    rgb, enlarge = drawing.marked_ring(photo, found, longest_px=1100)
    foot = drawing.Foot(
        name=photo.name,
        sha256=photo.sha256,
        legend=(("edges of the wall", drawing.PIT), ("thinnest place", drawing.MARKER)),
        mm_per_px=found.mm_per_px.value / enlarge if found.mm_per_px is not None else None,
        units=units,
    )
    thinnest = display.full(found.minimum_mm, "length_mm", units)
    items: list[Picture] = [
        picture(
            drawing.with_foot(rgb, foot),
            f"Both edges of the wall as measured. Thinnest place: {thinnest}, at {found.minimum_image_angle_deg:.0f}° counter-clockwise from the right.",
            "Photo of the cut ring with both edges of its wall and arrows at the thinnest place.",
        )
    ]
    near, nearer = drawing.thinnest_close_up(photo, found)
    items.append(
        picture(
            drawing.with_bar(near, found.mm_per_px.value / nearer if found.mm_per_px is not None else None, units),
            f"The thinnest place, close up: {thinnest}.",
            "Close-up of the ring's thinnest place between its two edges.",
        )
    )
    return Gallery(items=tuple(items), columns=2, page_share=0.24)


def torches(examination: Examination, units: str) -> Gallery | None:
    """Each photo of the series in the place of the main one, marked alike: a shadow that moves is a hollow."""
    series = [photo for photo in examination.photos if photo.role in ("light", "backlit")]
    if not series:
        return None
    items = []
    for photo in series:
        scale = drawing.foot_of(examination, units, longest_px=700).mm_per_px
        if photo.rgb.shape != examination.photo.rgb.shape:
            rgb, scale = drawing.reduced(photo.rgb, 700), None
        else:
            rgb = drawing.marked_photo(
                photo,
                examination.standing_surface,
                examination.standing_pits,
                examination.standing_bands,
                numbers=False,
                longest_px=700,
            )
        foot = drawing.Foot(name=photo.name, sha256=photo.sha256, legend=(), mm_per_px=scale, units=units)
        what = "light from behind" if photo.role == "backlit" else "torch from one side"
        items.append(picture(drawing.with_foot(rgb, foot), f"{photo.name}: {what}.", f"The piece with {what}."))
    return Gallery(items=tuple(items), columns=3, page_share=0.16)
