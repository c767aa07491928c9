"""The look, stated once: colours, type and spacing. Paper and ink with a verdigris accent; calm, printable, told apart without colour."""

from __future__ import annotations

import math
from typing import Any

TYPE = "'Segoe UI', 'Noto Sans', 'DejaVu Sans', system-ui, sans-serif"
HEADS = "'Iowan Old Style', 'Palatino Linotype', 'Noto Serif', 'DejaVu Serif', Georgia, serif"
PHONE_PX = 640  # below this width all stands in one column and the sections lie at the thumb

# No base is set: the pages follow the device by day and by night. Text on its ground has a contrast of 7 or more (WCAG 2.2, AAA),
# the accent on it 4.5 or more.
THEME: dict[str, Any] = {
    "theme.font": TYPE,
    "theme.headingFont": HEADS,
    "theme.headingFontWeights": [600, 600, 600, 600, 600, 600],
    "theme.baseRadius": "3px",
    "theme.buttonRadius": "3px",
    "theme.showWidgetBorder": True,
    "theme.paddingTop": "1rem",
    "theme.light.primaryColor": "#0a5c57",
    "theme.light.backgroundColor": "#fbfaf6",
    "theme.light.secondaryBackgroundColor": "#f0eee6",
    "theme.light.textColor": "#1b2426",
    "theme.light.borderColor": "#8a8d84",
    "theme.light.linkColor": "#0a5c57",
    "theme.dark.primaryColor": "#6fd0c6",
    "theme.dark.backgroundColor": "#14191a",
    "theme.dark.secondaryBackgroundColor": "#1f2627",
    "theme.dark.textColor": "#f1efe8",
    "theme.dark.borderColor": "#7b827f",
    "theme.dark.linkColor": "#6fd0c6",
}

_RULES = """
[data-testid=stHeader] { height: 0; min-height: 0; background: none; }
[data-testid=stMainBlockContainer] { padding: 1rem 1.5rem 4rem !important; max-width: 82rem !important; }
[data-testid=stVerticalBlock] { gap: .8rem; }
[data-testid=stElementContainer]:has(style) { display: none; }
[data-testid=stCaptionContainer], [data-testid=stCaptionContainer] *, [data-testid=stImageCaption], [data-testid=stFileUploaderDropzone] * { color: INK !important; opacity: 1 !important; }
.rows { overflow-x: auto; }
.rows:focus-visible { outline: 3px solid; }
.rows table { border-collapse: collapse; width: 100%; font-size: .92rem; font-variant-numeric: tabular-nums; }
.rows th, .rows td { text-align: left; vertical-align: top; padding: .35rem .8rem .35rem 0; min-width: 4.6rem; border-bottom: 1px solid color-mix(in srgb, currentColor 25%, transparent); }
.rows thead th { border-bottom: 2px solid; } .rows tbody th { font-weight: 400; } .rows td:last-child { min-width: 7rem; }
figure { margin: 0; } figure img { max-width: min(100%, 54rem); height: auto; display: block; border-radius: 3px; } figcaption { font-size: .875rem; margin-top: .3rem; }
[data-testid=stFileUploaderDropzone] { background: none !important; border: 2px dashed currentColor !important; padding: 1.4rem 1rem; }
[data-testid=stExpander] details { border-width: 0 0 1px; border-radius: 0; background: none; }
[data-testid=stAlertContainer] { background: none !important; border: 0 !important; border-left: 4px solid !important; border-radius: 0 !important; padding: .3rem .8rem; color: INK !important; }
[data-testid=stAlertContainer] * { color: INK !important; }
[data-testid=stHeaderActionElements] { display: none; }
[data-testid=stFileUploaderDropzoneInstructions] { display: none !important; }
[data-testid=stFileUploaderDropzone] > span > [data-testid=stBaseButton-secondary] > div { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
.st-key-start [data-testid=stFileUploaderDropzone] > span > [data-testid=stBaseButton-secondary] { background: INK; color: BACK; border-color: INK; min-height: 3rem; padding-inline: 1.4rem; }
.st-key-start [data-testid=stFileUploaderDropzone] > span > [data-testid=stBaseButton-secondary]::after { color: BACK; font-weight: 600; }
[data-testid=stFileUploaderDropzone] > span > [data-testid=stBaseButton-secondary]::after { content: "Choose, or drop here"; }
.figures details { display: inline; } .figures summary { cursor: pointer; text-decoration: underline dotted; text-underline-offset: .25em; list-style: none; } .figures summary::-webkit-details-marker { display: none; }
h1, h2, h3 { letter-spacing: -.01em; }
h2 { font-size: 1.4rem !important; }
.st-key-head .title { white-space: nowrap; overflow: hidden; text-overflow: ellipsis; opacity: .86; }
.st-key-sections { position: sticky; top: 0; z-index: 90; background: BACK; padding-block: .3rem; border-bottom: 2px solid; }
.st-key-sections [role=radiogroup] { gap: 0; }
.st-key-sections button { border: 0; border-radius: 0; background: none; min-height: 2.75rem; border-bottom: 4px solid transparent; }
.st-key-sections button[aria-checked=true] { border-bottom-color: currentColor; font-weight: 700; }
.st-key-sections button[aria-checked=true] p { font-weight: 700; }
.title { margin: 0; }
.st-key-head { flex-wrap: nowrap !important; min-height: 2.75rem; }
.st-key-head kbd { color: INK !important; opacity: 1 !important; }
[class*=st-key-answer_room] { border-left: 4px solid; padding-left: 1rem; }
.st-key-line_room { min-height: 4.8rem; } .st-key-figures_few { min-height: 5.6rem; } .st-key-tools { min-height: 4.3rem; }
.st-key-tools [role=radiogroup], .st-key-tools [role=group], .st-key-one_question [role=radiogroup], .st-key-one_question [role=group] { flex-wrap: wrap; gap: .4rem; }
.st-key-tools [data-testid=stButtonGroup] button { border-radius: 3px; min-height: 2.5rem; }
.st-key-pit_card { border: 2px solid; padding: .7rem 1rem; }
.st-key-pit_card h3 { padding: 0; }
.st-key-pit_card [data-testid=stColumn] figure img { max-height: 15rem; width: auto; }
.rests { margin: 0 !important; padding: 0 !important; display: grid; grid-template-columns: minmax(6rem, auto) 1fr; gap: 0 1rem; }
.rests div { display: contents; } .rests dt, .rests dd { margin: 0; padding: .35rem 0; border-top: 1px solid color-mix(in srgb, currentColor 25%, transparent); }
.rests.wide { grid-template-columns: minmax(0, 2fr) minmax(0, 3fr); max-width: 62rem; }
.rests summary { cursor: pointer; font-weight: 600; text-decoration: underline dotted; text-underline-offset: .25em; } .rests p { margin: .3rem 0 0; font-size: .92rem; }
.answer { font-family: HEADS; font-size: 1.2rem; line-height: 1.45; margin: 0; }
.figures { display: grid; grid-template-columns: repeat(auto-fit, minmax(9rem, 1fr)); gap: 0 1.2rem; margin: 0 !important; padding: 0 !important; }
.figures div { border-top: 1px solid color-mix(in srgb, currentColor 35%, transparent); padding: .45rem 0; }
.figures dt, .figures dd { margin: 0; font-size: .85rem; color: inherit; }
.figures dd:first-of-type { font-size: 1.3rem; line-height: 1.35; font-variant-numeric: tabular-nums; }
.photo-line { font-size: .95rem; } .photo-line p { margin: 0; } .photo-line summary { cursor: pointer; text-decoration: underline dotted; text-underline-offset: .25em; padding-block: .3rem; }
.photo-line ul { list-style: none; margin: 0 !important; padding: 0 !important; } .photo-line li { padding: .15rem 0; margin: 0; }
.pair { display: grid; grid-template-columns: 1fr 1fr; gap: .5rem; max-width: 40rem; } .sketch img { width: 100%; max-width: 20rem; }
.st-key-one_question, .st-key-one_question > div { border-width: 2px !important; border-radius: 3px; }
.st-key-one_question h3 { padding: 0 0 .4rem; } .st-key-one_question [data-testid=stButtonGroup] button { border-radius: 3px; min-height: 2.75rem; }
.st-key-changed { border-left: 4px solid; padding-left: .8rem; }
@media (max-width: 640px) {
  .figures { grid-template-columns: 1fr 1fr; }
  .rows td:last-child:nth-child(n+4) { min-width: 15rem; } /* long words get room: the table is pushed sideways */
  .st-key-line_room { min-height: 5rem; } .st-key-figures_room { min-height: 23rem; }
  [data-testid=stMainBlockContainer] { padding: .4rem .8rem 6.5rem; }
  h1 { font-size: 1.6rem !important; } h3 { font-size: 1.15rem !important; }
  .answer { font-size: 1.05rem; }
  .st-key-head kbd { display: none; }
  .st-key-head button p { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
  [data-testid=stCheckbox] label { align-items: center; }
  button, [role=radio], [role=option] { min-height: 2.75rem; }
  [data-testid=stExpander] summary { padding-block: .65rem; }
  .st-key-sections { position: fixed; inset: auto 0 0; width: 100vw !important; border-bottom: 0; border-top: 2px solid; padding: 0; }
  .st-key-sections > div, .st-key-sections > div > div, .st-key-sections > div > div > div, .st-key-sections [role=radiogroup] { width: 100% !important; max-width: none !important; }
  .st-key-sections [role=radiogroup] { flex-wrap: nowrap; width: 100%; }
  .st-key-sections button { flex: 1 1 auto; min-width: 0; max-width: none; padding: 0 .15rem; min-height: 3.2rem; white-space: nowrap; border-bottom: 0; border-top: 4px solid transparent; }
  .st-key-sections button p { font-size: .84rem; }
  .st-key-sections button[aria-checked=true] { border-top-color: currentColor; }
}
@media (min-width: 641px) {
  .st-key-desk { display: grid !important; grid-template-columns: minmax(0, 3fr) minmax(0, 2fr); grid-template-rows: repeat(4, min-content) 1fr; gap: .8rem 2rem !important; align-items: start; }
  .st-key-desk > * { grid-column: 1; } .st-key-desk > :has(> .st-key-desk_beside) { grid-column: 2; grid-row: 1 / span 5; }
  /* the buttons' own width: they come one by one */
  .st-key-head > div:last-child { min-width: 22.2rem; }
  .st-key-sections [data-testid=stElementContainer] { min-height: 2.75rem; } .st-key-figures_room { min-height: 17.6rem; }
}
@media print {
  .st-key-sections, .st-key-head button, .st-key-foot, [data-testid=stFileUploader], .st-key-tools { display: none !important; }
}
@media (prefers-reduced-motion: reduce) { * { transition: none !important; animation: none !important; } }
"""


SHAPES = range(2, 41)  # twentieths of height by width


def room_key(width_px: int, height_px: int) -> str:
    """The key of a container that keeps the photo's place free before it is drawn, so that nothing below it jumps.

    The room is told by the key's class and not by a rule of its own, as a rule would come only with what has to be kept from jumping.
    """
    return f"photo_room_{min(max(math.ceil(20 * height_px / max(width_px, 1)), SHAPES[0]), SHAPES[-1])}"


LINES = range(1, 21)  # of the answer on a phone


def answer_key(text: str) -> str:
    """The key of a container that keeps the answer's place free, as ``room_key`` does the photo's; by its lines on a phone."""
    return f"answer_room_{min(max(math.ceil(len(text) / 36), LINES[0]), LINES[-1])}"


def _rooms() -> str:
    """The drawing itself keeps to the same height (``photo_points``)."""
    wide_lines = "".join(
        f".st-key-answer_room_{n} {{ min-height: calc({math.ceil(n * 36 / 44)} * 1.74rem) }}\n" for n in LINES
    )
    lines = "".join(f".st-key-answer_room_{n} {{ min-height: calc({n} * 1.52rem) }}\n" for n in LINES)
    wide = "".join(
        f".st-key-photo_room_{n} {{ min-height: calc(min(56vw * {n / 20}, 66vh, 45rem * {n / 20}) + 10.2rem) }}\n"
        for n in SHAPES
    )
    narrow = "".join(
        f".st-key-photo_room_{n} {{ min-height: calc(min(93vw * {n / 20}, 44vh) + 12.2rem) }}\n" for n in SHAPES
    )
    return f"{wide}{wide_lines}@media (max-width: {PHONE_PX}px) {{ {narrow}{lines} }}\n"


def sheet() -> str:
    """The rules for the page's head: there before anything is drawn, so that nothing jumps when they come."""
    grounds = "\n".join(
        f"@media (prefers-color-scheme: {kind}) {{ :root {{ --ground: {THEME[f'theme.{kind}.backgroundColor']}; "
        f"--ink: {THEME[f'theme.{kind}.textColor']} }} }}"
        for kind in ("light", "dark")
    )
    rules = _RULES.replace("BACK", "var(--ground)").replace("INK", "var(--ink)").replace("HEADS", HEADS)
    return f"{grounds}\n{_rooms()}{rules}"
