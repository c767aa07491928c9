"""Take the results along."""

from __future__ import annotations

import io
import zipfile

import streamlit as st

from analyzer.base.text import file_stem
from analyzer.result.examination import Examination
from analyzer.show import output
from ui import blocks, state

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
    stem = file_stem(state.case().name.rsplit(".", 1)[0], otherwise="piece")
    with st.spinner("Writing the report"):
        made, faults = state.files(examination)
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
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in made.items():
            archive.writestr(zipfile.ZipInfo(name, (2000, 1, 1, 0, 0, 0)), data)
    st.download_button(
        "Everything (ZIP)",
        packed.getvalue(),
        f"{stem}-examined.zip",
        "application/zip",
        icon=":material/folder_zip:",
        on_click="ignore",
    )
    with st.expander("Single files"):
        for name, (words, kind) in WORDS.items():
            if name != "report.pdf" and name in made:
                st.download_button(words, made[name], f"{stem}-{name}", kind, key=f"save_{name}", on_click="ignore")
    st.caption("The files hold no place data. The photo itself is not changed; its SHA-256 stands in the report.")
