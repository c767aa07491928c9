"""Repair against replacement: the owner's own prices beside the leaks that are likely to come."""

from __future__ import annotations

import streamlit as st

from analyzer.base.flags import CutpipeError, InputError
from analyzer.causes.repair import Prices
from analyzer.result.examination import Examination
from analyzer.show import report
from ui import blocks, entries, state

NOT_KNOWN = "not known"


def show(examination: Examination) -> None:
    """The house's leaks against the owner's prices; shown once leaks are told."""
    with st.expander("Repair or replace", icon=":material/balance:", expanded=examination.house is not None):
        if examination.house is None:
            st.info(
                "Enter the dates of earlier leaks above (all facts, Leaks so far), and what is likely to come is worked out here.",
                icon=":material/info:",
            )
            return
        with st.form("prices", border=False):
            st.caption(
                "Your own prices, in one currency. What is left empty is not counted; the first and the third are needed."
            )
            now = state.case().kept.prices or {}
            names = {
                "repair_per_leak": "Repair of one leak",
                "damage_per_leak": "Damage by one leak",
                "replace_all": "New pipes in the whole house",
                "moving_out": "Moving out meanwhile",
            }
            columns = st.columns(len(names))
            values = {
                name: column.number_input(label, 0.0, 1e7, now.get(name) or None, 100.0, placeholder=NOT_KNOWN)
                for column, (name, label) in zip(columns, names.items())
            }
            if st.form_submit_button("Compare"):
                try:
                    if values["repair_per_leak"] is None or values["replace_all"] is None:
                        raise InputError(
                            "Enter what the repair of one leak and what new pipes in the whole house would cost."
                        )
                    entries.set_prices(Prices(**{name: value for name, value in values.items() if value is not None}))
                    st.rerun()
                except CutpipeError as error:
                    st.error(blocks.safe(str(error)), icon=":material/error:")
        blocks.section(report.section(examination, "house", units=state.units()), title=False)
