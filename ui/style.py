"""The few rules of appearance that the theme has no setting for."""

import streamlit as st


def apply() -> None:
    st.html(
        """<style>
        [data-testid="stMainBlockContainer"] { padding-top: 4rem; padding-bottom: 4rem; max-width: 76rem; }
        [data-testid="stMetric"] { background: #f4f6f7; border-radius: 10px; padding: .7rem .9rem; }
        [data-testid="stMetricValue"] { font-size: 1.45rem; white-space: normal; }
        [data-testid="stMetricValue"] > div { white-space: normal; overflow: visible; }
        @media (max-width: 640px) {
          [data-testid="stMainBlockContainer"] { padding-left: .9rem; padding-right: .9rem; padding-top: 3.6rem; }
          h1 { font-size: 1.6rem !important; } h3 { font-size: 1.15rem !important; }
          button { min-height: 2.75rem; }
        }
        </style>"""
    )
