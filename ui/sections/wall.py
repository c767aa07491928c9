"""What is left of the wall, what that rests on, and the ways to know it better: gauge readings, a ring, several lights."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from analyzer.base import display
from analyzer.base.flags import CutpipeError
from analyzer.case.contents import KeptPhoto
from analyzer.relief.lights import FEWEST_LIGHTS
from analyzer.result.examination import Examination
from analyzer.show import drawing, phrases, report
from analyzer.wall.readings import METHODS, USUAL_METHOD
from ui import blocks, entries, looking, state
from ui.torch_dial import torch_dial

KINDS = {"pit": "Depth of a pit", "sound_wall": "Wall where it is sound", "thin_wall": "Wall at a thinned spot"}

THUMB_PX = 240
USUAL_METHOD_WORDS = f"{USUAL_METHOD['pit']} or {USUAL_METHOD['sound_wall']}"


def show(examination: Examination) -> None:
    part = report.section(examination, "wall", units=state.units())
    if state.reading() == "plain":
        st.subheader("The wall")
        name, value, span = phrases.remaining_wall(examination.wall, state.units())
        st.markdown(
            f"**{blocks.safe(name)}: {blocks.safe(value)}**"
            + (blocks.safe(f" (95 %: {span})") if display.is_interval(span) else "")
        )
        for item in examination.wall.evidence:
            st.markdown(blocks.safe(display.sentence(item.sentence, state.units())))
        blocks.section(blocks.only_pictures(part), title=False)
        st.caption("No figure here says that a pipe may stay in use: a licensed plumber decides that.")
    else:
        blocks.section(part)
    if examination.wall.nominal_mm is None:
        st.info(
            "Say which tube it is (section Photo, What was told): then the wall that a new one has is known.",
            icon=":material/info:",
        )
    st.subheader("Find it out more exactly")
    with st.expander(
        f"Gauge and caliper readings ({len(state.case().piece.reading_rows)})",
        expanded=bool(state.case().piece.reading_rows),
        icon=":material/straighten:",
    ):
        _readings(examination)
    with _folder("ring", "Photo of a cut ring", "radio_button_unchecked"):
        st.caption(
            "Saw a ring square from the same pipe, deburr it, stand it on the table beside the card and photograph it from straight above."
        )
        _extra("ring", "Photo of the ring")
    with _folder("light", "Photos with the torch from several sides", "flashlight_on"):
        st.caption(
            "Rest the phone so that it cannot move, darken the room, and take one photo for each place of the torch: best three or more, "
            "from clearly different sides, 20 to 50 degrees above the card. It shows how deep the pits are, and pits are looked for on "
            "all the photos together. Do not look into the torch."
        )
        _torches()
    with _folder("backlit", "Photo with the light behind", "backlight_high"):
        st.caption(
            "Same pose, room dark, lamp behind the piece and the piece clear of the card: light shows perforations."
        )
        _extra("backlit", "Photo with the light behind")


def _torches() -> None:
    """All photos of the series at once; for each a tap on the card's mark from whose side the torch shone."""
    there = state.case().piece.of("light")
    files = st.file_uploader(
        "Photos with the torch, all at once", key=f"extra_light_{len(there)}", accept_multiple_files=True
    )
    if files:
        told = _places(files)
        if told is not None:
            said = entries.error_of(entries.add_lights, told)
            if said:
                st.error(blocks.safe(said), icon=":material/error:")
            else:
                st.rerun()
    _kept(there, "light")
    if 0 < len(there) < FEWEST_LIGHTS:
        st.info(
            f"{len(there)} of {FEWEST_LIGHTS} photos. So far depth rests on the shadows alone; each further side makes it surer.",
            icon=":material/info:",
        )


def _places(files: Sequence[Any]) -> list[tuple[bytes, str, float, float]] | None:
    """Where the torch was for each photo, once it was told for all and the button was pressed."""
    small = []
    for file in files:
        try:
            opened = looking.photo(file.getvalue(), file.name, "light")
        except CutpipeError as error:
            st.error(blocks.safe(str(error)), icon=":material/error:")
            return None
        small.append((file.name, drawing.jpeg(drawing.reduced(opened.rgb, THUMB_PX), quality=70)))
    st.markdown("Tap the mark on the card's edge from whose side the torch shone.")
    marks = torch_dial(small, key="torch_dial")
    elevation = st.number_input("Torch height, degrees above the card", 5.0, 85.0, 30.0, 5.0, width=260)
    missing = sum(mark is None for mark in marks)
    words = "Add the photo" if len(files) == 1 else f"Add the {len(files)} photos"
    pressed = st.button(words, key="add_light", icon=":material/add:", type="primary", disabled=missing > 0)
    if missing:
        st.caption("1 photo has no mark yet." if missing == 1 else f"{missing} photos have no mark yet.")
    if not pressed:
        return None
    return [
        (file.getvalue(), file.name, float(mark), elevation)
        for file, mark in zip(files, marks, strict=True)
        if mark is not None
    ]


def _folder(role: str, title: str, icon: str) -> Any:
    """Open and with its number where photos of that role are there."""
    there = len(state.case().piece.of(role))
    return st.expander(f"{title} ({there})" if there else title, expanded=there > 0, icon=f":material/{icon}:")


def _readings(examination: Examination) -> None:
    rows = list(state.case().piece.reading_rows)
    unit = "mm" if state.units() == "metric" else "in"
    st.caption(
        "Clean the pit first only after it was photographed. Set the gauge to zero on sound metal beside the pit, read the deepest "
        "place, repeat it. Pit numbers stand on the marked photo."
    )
    with st.form("reading", clear_on_submit=True, border=False):
        one, two, three, four = st.columns(4)
        kind = one.selectbox("What was read", list(KINDS), format_func=KINDS.__getitem__)
        numbers = [pit.id for pit in examination.standing_pits.pits]
        pit = two.selectbox("Pit", numbers, index=None, placeholder="number", help="Only for the depth of a pit.")
        value = three.number_input(f"Reading, {unit}", 0.0, 50.0, None, format="%.4f" if unit == "in" else "%.3f")
        method = four.selectbox("Read with", list(METHODS), index=None, placeholder=USUAL_METHOD_WORDS)
        if st.form_submit_button("Add the reading", icon=":material/add:") and value is not None:
            row: dict[str, Any] = {"kind": kind, "unit": unit, ("depth" if kind == "pit" else "wall"): value}
            row["method"] = method or USUAL_METHOD[kind]
            if kind == "pit":
                row["id"] = pit
                place = next((p for p in examination.standing_pits.pits if p.id == pit), None)
                if place is not None:  # so that it stays with its place when the photo is looked at anew
                    row |= {"x_px": place.x_px, "y_px": place.y_px}
            if kind == "pit" and pit is None:
                st.error("Choose the number of the pit that was read.")
            else:
                _take_readings([*rows, row])
    for number, kept in enumerate(rows):
        words, button = st.columns([6, 1], vertical_alignment="center")
        amount, unit_told = _amount(kept)
        words.markdown(
            f"{KINDS[kept['kind']]}{_pit_of(kept)}: **{amount:g} {unit_told}**, {kept.get('method', USUAL_METHOD[kept['kind']])}"
        )
        if button.button("Remove", key=f"reading_{number}", icon=":material/delete:"):
            _take_readings(rows[:number] + rows[number + 1 :])


def _pit_of(row: Mapping[str, Any]) -> str:
    number = row.get("id", row.get("pit"))
    return "" if number is None else f" {number}"


def _amount(row: Mapping[str, Any]) -> tuple[float, str]:
    """A reading and its unit as it was told, on the pages or by a file."""
    for name in ("depth", "wall"):
        if name in row:
            return float(row[name]), str(row.get("unit", "mm"))
        if f"{name}_mm" in row:
            return float(row[f"{name}_mm"]), "mm"
    raise KeyError("a reading without a depth or a wall")


def _take_readings(rows: list[Mapping[str, Any]]) -> None:
    said = entries.error_of(entries.set_readings, rows)
    if said:
        st.error(blocks.safe(said), icon=":material/error:")
    else:
        st.rerun()


def _extra(role: str, label: str) -> None:
    there = state.case().piece.of(role)
    file = st.file_uploader(label, key=f"extra_{role}_{len(there)}")  # empty again once its photo was taken
    if file is not None and st.button("Add this photo", key=f"add_{role}", icon=":material/add:"):
        said = entries.error_of(lambda: entries.add_photo(file.getvalue(), file.name, role))
        if said:
            st.error(blocks.safe(said), icon=":material/error:")
            return
        st.rerun()
    _kept(there, role)


def _kept(there: Sequence[KeptPhoto], role: str) -> None:
    for place, kept in enumerate(there):
        words, button = st.columns([6, 1], vertical_alignment="center")
        at = f", torch at mark {kept.azimuth_deg:.0f}, {kept.elevation_deg:.0f}° high" if role == "light" else ""
        words.markdown(blocks.safe(kept.file_name + at))
        button.button(
            "Remove", key=f"drop_{role}_{place}", icon=":material/delete:", on_click=entries.remove_photo, args=(kept,)
        )
