"""One section's fault costs neither report: what can be told is told, and what cannot says so."""

from analyzer.show import output, report
from analyzer.show.edition import Edition


def test_a_section_that_cannot_be_made_costs_that_section_alone(monkeypatch, demo_examination, capsys):
    def fails(examination, edition):
        raise ZeroDivisionError("made up for this check")

    monkeypatch.setattr(report, "SECTIONS", {**report.SECTIONS, "wall": fails})
    made, faults = output.make(demo_examination, Edition(), only=("report.html", "report.pdf"))
    assert not faults and set(made) == {"report.html", "report.pdf"}
    page = made["report.html"].decode()
    assert report.NOT_MADE in page and demo_examination.judgement.findings[0].name in page
    assert "made up for this check" in capsys.readouterr().err  # the terminal gets the details
