"""The few rules of appearance that the theme has no setting for."""

import streamlit as st


def apply() -> None:
    st.html(
        """<style>
        [data-testid="stMainBlockContainer"] { padding-top: 4rem; padding-bottom: 4rem; max-width: 76rem; }
        .figures { display: grid; grid-template-columns: repeat(auto-fit, minmax(9.5rem, 1fr)); gap: .6rem; margin: 0 !important; padding: 0 !important; }
        .figures div { background: #f4f6f7; border-radius: 10px; padding: .6rem .8rem; }
        .figures dt { font-size: .85rem; color: #4a525a; }
        .figures dd { margin: 0; font-size: .82rem; color: #4a525a; }
        .figures dd:first-of-type { font-size: 1.35rem; color: #1c2024; line-height: 1.35; }
        @media (max-width: 640px) {
          .figures { grid-template-columns: 1fr 1fr; }
          [data-testid="stMainBlockContainer"] { padding-left: .9rem; padding-right: .9rem; padding-top: 3.6rem; }
          h1 { font-size: 1.6rem !important; } h3 { font-size: 1.15rem !important; }
          button { min-height: 2.75rem; }
        }
        </style>"""
    )
