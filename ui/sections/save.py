"""Take the results along."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from functools import partial

import streamlit as st

from analyzer.base.flags import InputError
from analyzer.base.text import file_stem
from analyzer.result.examination import Examination
from analyzer.show import output
from ui import blocks, looking, shelf, state
from ui.report_view import report_view

WORDS = {
    "report.pdf": ("Report to print or send (PDF)", "application/pdf"),
    "homeowner.pdf": ("The homeowner's page (PDF)", "application/pdf"),
    "evidence.pdf": ("Evidence sheets: a crop of each pit (PDF)", "application/pdf"),
    "report.html": ("Report as a web page that stands alone", "text/html"),
    "examination.json": ("All figures for another program (JSON)", "application/json"),
    "pits.csv": ("Pits as a table", "text/csv"),
    "bands.csv": ("Marks and lines as a table", "text/csv"),
    "pits-coco.json": ("Pits as annotations (COCO form, JSON)", "application/json"),
    "overlay.png": ("Marked photo", "image/png"),
    "unrolled.png": ("Metal laid flat", "image/png"),
    "pit-labels.png": ("Pits as numbered pixels (16 bit)", "image/png"),
    "band-labels.png": ("Marks as numbered pixels", "image/png"),
}


def show(examination: Examination) -> None:
    st.subheader("Save")
    stem = file_stem(state.case().title.rsplit(".", 1)[0], otherwise="piece")
    make = looking.making(examination)
    with st.spinner("Writing the report"):
        made, faults = make("report.pdf", "report.html")  # the rest is made when it is asked for
    if faults:
        st.error(blocks.safe(output.not_made(faults)), icon=":material/error:")
    st.markdown(
        "The report holds the answer, a page for the homeowner, the marked photo, every figure with its uncertainty, the causes and the steps."
    )
    if "report.pdf" in made:
        st.download_button(
            "Report (PDF)",
            made["report.pdf"],
            f"{stem}-report.pdf",
            "application/pdf",
            type="primary",
            icon=":material/picture_as_pdf:",
            on_click="ignore",
        )
    if {"report.pdf", "report.html"} <= set(made):
        report_view(page=made["report.html"], pdf=made["report.pdf"], name=f"{stem}-report.pdf")
    st.download_button(
        "Everything (ZIP)",
        lambda: _packed(make()[0]),
        f"{stem}-examined.zip",
        "application/zip",
        icon=":material/folder_zip:",
        on_click="ignore",
    )
    with st.expander("Single files"):
        for name, (words, kind) in WORDS.items():
            if name != "report.pdf":
                st.download_button(
                    words,
                    partial(_single, make, name),
                    f"{stem}-{name}",
                    kind,
                    key=f"save_{name}",
                    on_click="ignore",
                )
    st.caption("The files hold no place data. The photo itself is not changed; its SHA-256 stands in the report.")
    _carry(stem)
    _seal(stem)


def _single(make: looking.Making, name: str) -> bytes:
    """One file; InputError where it cannot be made."""
    made, faults = make(name)
    if faults:
        raise InputError(output.not_made(faults))
    return made[name]


def _packed(made: Mapping[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in made.items():
            archive.writestr(zipfile.ZipInfo(name, (2000, 1, 1, 0, 0, 0)), data)
    return packed.getvalue()


def _carry(stem: str) -> None:
    with st.expander("Carry the case to another computer", icon=":material/move_item:"):
        st.caption(
            "One file with everything: photos to the byte, answers, corrections, log, names. On the other computer drop it on the "
            "first page. Hand it to nobody else; for others seal it."
        )
        current = state.case()
        st.download_button(
            "The whole case (one file)",
            lambda: shelf.carried(current.store),
            f"{stem}-case.zip",
            "application/zip",
            on_click="ignore",
        )


def _seal(stem: str) -> None:
    with st.expander("Seal it for people who were not there", icon=":material/verified:"):
        st.caption(
            "Photos, log, figures and report with the hashes of every byte (a BagIt bag, RFC 8493). Whoever drops it on the first page "
            "sees whether anything was changed, and everything is measured again. Hashes do not show who took a photo."
        )
        names = st.checkbox("With names, places and the claim number", key="seal_names")
        place = st.checkbox("With what the camera wrote: place data, serial numbers", key="seal_place")
        current, units = state.case(), state.units()
        wrong = current.store.faults() if st.button("Check what is kept", icon=":material/fact_check:") else None
        if wrong:
            st.error(blocks.safe(" ".join(wrong)))
        elif wrong is not None:
            st.success(
                f"All {current.number} entries of the log follow from one another, and every photo is as it came."
            )
        st.download_button(
            "The sealed bundle",
            lambda: shelf.sealed(current.store, units=units, with_names=names, with_place=place),
            f"{stem}-sealed.zip",
            "application/zip",
            on_click="ignore",
        )
