"""The few rules of appearance that the theme has no setting for. Colours are mixed from the text's own, so that they hold by day and by night."""

from typing import Any

import streamlit as st

# No base is set: the pages follow the device by day and by night.
THEME: dict[str, Any] = {
    "theme.light.primaryColor": "#0b6e69",
    "theme.dark.primaryColor": "#5cc4bc",
}


def apply() -> None:
    st.html(
        """<style>
        [data-testid="stMainBlockContainer"] { padding-top: 3.6rem; padding-bottom: 4rem; max-width: 76rem; }
        [data-testid="stCaptionContainer"], [data-testid="stImageCaption"] { color: inherit !important; opacity: .8; }
        [data-testid="stCaptionContainer"] p { color: inherit !important; }
        [data-testid="stTable"] { overflow-x: auto; }
        [data-testid="stTable"] th, [data-testid="stTable"] td { min-width: 4.6rem; }
        [data-testid="stTable"] td:last-child { min-width: 7rem; }
        .figures { display: grid; grid-template-columns: repeat(auto-fit, minmax(9.5rem, 1fr)); gap: .6rem; margin: 0 !important; padding: 0 !important; }
        .figures div { background: color-mix(in srgb, currentColor 6%, transparent); border-radius: 10px; padding: .6rem .8rem; }
        .figures dt, .figures dd { margin: 0; font-size: .85rem; color: inherit; }
        .figures dd:first-of-type { font-size: 1.35rem; line-height: 1.35; }
        @media (max-width: 640px) {
          .figures { grid-template-columns: 1fr 1fr; }
          .figures div:last-child:nth-child(odd) { grid-column: 1 / -1; }
          [data-testid="stMainBlockContainer"] { padding-left: .9rem; padding-right: .9rem; padding-top: 3.4rem; }
          h1 { font-size: 1.6rem !important; } h3 { font-size: 1.15rem !important; }
          [data-testid="stCheckbox"] label { align-items: center; }
          button, [role="radio"], [role="option"] { min-height: 2.75rem; }
          [data-testid="stExpander"] summary { padding-block: .65rem; }
        }
        </style>"""
    )
