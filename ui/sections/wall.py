"""What is left of the wall, what that rests on, and the ways to know it better: gauge readings, a ring, several lights."""

from __future__ import annotations

from typing import Any

import streamlit as st

from analyzer.base.flags import CutpipeError
from analyzer.relief.lights import FEWEST_LIGHTS
from analyzer.result.examination import Examination
from analyzer.show import report
from analyzer.wall.readings import METHODS, readings_from_rows
from ui import blocks, state

KINDS = {"pit": "Depth of a pit", "sound_wall": "Wall where it is sound", "thin_wall": "Wall at a thinned spot"}


def show(examination: Examination) -> None:
    blocks.section(report.section(examination, "wall", units=state.units()))
    if examination.wall.nominal_mm is None:
        st.info(
            "Say which tube it is (section Photo, What was told): then the wall that a new one has is known.",
            icon=":material/info:",
        )
    st.subheader("Know it better")
    with st.expander(
        f"Gauge and caliper readings ({len(state.case().reading_rows)})",
        expanded=bool(state.case().reading_rows),
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
            "from clearly different sides, 20 to 50 degrees above the card. The card's clock marks give the direction. It "
            "shows how deep the pits are, and pits are looked for on all the photos together. Do not look into the torch."
        )
        left, right = st.columns(2)
        azimuth = left.number_input(
            "Torch direction, degrees counter-clockwise from the card's right edge", 0.0, 359.0, 0.0, 5.0
        )
        elevation = right.number_input("Torch height, degrees above the card", 5.0, 85.0, 30.0, 5.0)
        _extra("light", "Photo with the torch there", azimuth_deg=azimuth, elevation_deg=elevation)
    with _folder("backlit", "Photo with the light behind", "backlight_high"):
        st.caption(
            "Same pose, room dark, lamp behind the piece and the piece clear of the card: light shows perforations."
        )
        _extra("backlit", "Photo with the light behind")


def _folder(role: str, title: str, icon: str) -> Any:
    """Open and with its number where photos of that role are there."""
    there = sum(extra.role == role for extra in state.case().extras)
    return st.expander(f"{title} ({there})" if there else title, expanded=there > 0, icon=f":material/{icon}:")


def _readings(examination: Examination) -> None:
    rows = state.case().reading_rows
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
        method = four.selectbox("Read with", list(METHODS))
        if st.form_submit_button("Add the reading", icon=":material/add:") and value is not None:
            row: dict[str, Any] = {
                "kind": kind,
                "unit": unit,
                "method": method,
                ("depth" if kind == "pit" else "wall"): value,
            }
            if kind == "pit":
                row["id"] = pit
                place = next((p for p in examination.standing_pits.pits if p.id == pit), None)
                if place is not None:  # so that it stays with its place when the photo is looked at anew
                    row |= {"x_px": place.x_px, "y_px": place.y_px}
            if kind == "pit" and pit is None:
                st.error("Choose the number of the pit that was read.")
            else:
                _take_readings([*rows, row])
    for number, row in enumerate(rows):
        words, button = st.columns([6, 1], vertical_alignment="center")
        amount = row.get("depth", row.get("wall"))
        words.markdown(
            f"{KINDS[row['kind']]}{' ' + str(row['id']) if 'id' in row else ''}: **{amount:g} {row['unit']}**, {row['method']}"
        )
        if button.button("Remove", key=f"reading_{number}", icon=":material/delete:"):
            _take_readings(rows[:number] + rows[number + 1 :])


def _take_readings(rows: list[dict[str, Any]]) -> None:
    try:
        readings = readings_from_rows(rows) if rows else None
        state.try_readings(readings)
    except CutpipeError as error:
        st.error(blocks.safe(str(error)), icon=":material/error:")
        return
    state.set_readings(rows, readings)
    st.rerun()


def _extra(role: str, label: str, **where: float) -> None:
    extras = state.case().extras
    file = st.file_uploader(label, key=f"extra_{role}_{len(extras)}")  # empty again once its photo was taken
    if file is not None and st.button("Add this photo", key=f"add_{role}", icon=":material/add:"):
        try:
            state.add_extra(state.ExtraPhoto(data=file.getvalue(), name=file.name, role=role, **where))
        except CutpipeError as error:
            st.error(blocks.safe(str(error)), icon=":material/error:")
            return
        st.rerun()
    for place, extra in enumerate(extras):
        if extra.role != role:
            continue
        words, button = st.columns([6, 1], vertical_alignment="center")
        at = f", torch at {extra.azimuth_deg:.0f}°, {extra.elevation_deg:.0f}° high" if role == "light" else ""
        words.markdown(blocks.safe(extra.name + at))
        if button.button("Remove", key=f"drop_{role}_{place}", icon=":material/delete:"):
            extras.pop(place)
            st.rerun()
    waiting = [extra for extra in extras if extra.role == "light"]
    if role == "light" and 0 < len(waiting) < FEWEST_LIGHTS:
        st.info(
            f"{len(waiting)} of {FEWEST_LIGHTS} photos. So far depth rests on the shadows alone; each further side makes it surer.",
            icon=":material/info:",
        )
