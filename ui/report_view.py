"""The report on the page itself, to be looked at before it is kept, printed, or shared by the phone's own way of sharing."""

from __future__ import annotations

from typing import Any

import streamlit as st
from streamlit import runtime

_HTML = (
    '<div class="ways"><button type="button" class="look" aria-expanded="false">Look at it</button>'
    '<button type="button" class="print">Print</button><button type="button" class="share" hidden>Share</button></div>'
    '<p class="said" role="status"></p><div class="paper" hidden></div>'
)
_CSS = """
.ways { display: flex; flex-wrap: wrap; gap: .5rem; font-family: inherit; }
.ways button { min-height: 2.75rem; padding: 0 1rem; border: 1px solid currentColor; border-radius: 3px; background: transparent; color: inherit; font: inherit; cursor: pointer; }
.ways button:focus-visible { outline: 3px solid currentColor; outline-offset: 1px; }
.ways button[hidden], .paper[hidden] { display: none; }
.said { margin: .3rem 0 0; font-family: inherit; font-size: .9rem; } .said:empty { display: none; }
.paper { margin-top: .6rem; } .paper iframe { width: 100%; height: 75vh; border: 1px solid currentColor; border-radius: 3px; background: #fff; }
"""
# No script of the report's runs (it has none); same origin, so that its own print is asked for and not the page's.
_JS = """
export default function (component) {
  const { data, parentElement } = component;
  const find = (name) => parentElement.querySelector('.' + name);
  const [look, print, share, said, paper] = ['look', 'print', 'share', 'said', 'paper'].map(find);
  let frame = paper.querySelector('iframe');
  if (frame && frame.getAttribute('src') !== data.page) { frame.src = data.page; }
  const open = () => new Promise((done) => {
    paper.hidden = false;
    look.setAttribute('aria-expanded', 'true');
    look.textContent = 'Close it';
    if (frame) return done();
    frame = document.createElement('iframe');
    frame.title = 'The report';
    frame.setAttribute('sandbox', 'allow-same-origin allow-modals');
    frame.onload = () => done();
    frame.src = data.page;
    paper.append(frame);
  });
  look.onclick = () => {
    if (paper.hidden) { open(); return; }
    paper.hidden = true;
    look.setAttribute('aria-expanded', 'false');
    look.textContent = 'Look at it';
  };
  print.onclick = async () => { await open(); frame.contentWindow.focus(); frame.contentWindow.print(); };
  share.hidden = !(navigator.canShare && navigator.canShare({ files: [new File(['x'], 'x.pdf', { type: 'application/pdf' })] }));
  share.onclick = async () => {
    try {
      const bytes = await (await fetch(data.pdf)).blob();
      await navigator.share({ files: [new File([bytes], data.name, { type: 'application/pdf' })] });
    } catch (error) {
      if (error.name !== 'AbortError') said.textContent = 'Sharing did not work; save the report and send the file.';
    }
  };
}
"""


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return st.components.v2.component("cutpipe_report_view", html=_HTML, css=_CSS, js=_JS)


def report_view(*, page: bytes, pdf: bytes, name: str) -> None:
    """Ways to look at, print and share the report: ``page`` as HTML that stands alone, ``pdf`` under the file's ``name``."""
    if not runtime.exists():
        return
    files = runtime.get_instance().media_file_mgr
    _component()(
        key="report_view",
        data={
            "page": str(files.add(page, "text/html", "report_view_page")),
            "pdf": str(files.add(pdf, "application/pdf", "report_view_pdf")),
            "name": name,
        },
    )
