"""The callout sheet as PDF, drawn on the server: A4 or Letter, black on white, with room to write by hand."""

from __future__ import annotations

import logging
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

from coilbook.dashboards import words
from coilbook.dashboards.callout_sheet import CaseSeen, Sheet
from coilbook.dashboards.tables import Table
from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace

Paper = Literal["a4", "letter"]
FAMILY = "sheet"
EDGE = 14.0
"""Margin [mm]; printers of both papers reach it."""
LINE = 4.5
"""Height of a line of text [mm]."""
WRITING = 7.6
"""Height of a line to write on by hand [mm]."""
BOX = 3.4
"""Side of a box to tick [mm]."""
FEW_LINES, MORE_LINES = 2, 5
"""Lines to write on for each case: on a page shared with the checks, and on one of their own."""

logging.getLogger("fontTools").setLevel(logging.WARNING)


def callout_pdf(sheet: Sheet, paper: Paper) -> bytes:
    """The sheet as a PDF file. Text is embedded with its font, so it prints the same everywhere."""
    pdf = _Pages(sheet, paper)
    pdf.add_page()
    _head(pdf, sheet)
    _cautions(pdf)
    _cases(pdf, sheet)
    if sheet.cases:
        _bring(pdf, sheet)
        _checks(pdf, sheet)
        _outcome(pdf, sheet)
    return bytes(pdf.output())


class _Pages(FPDF):
    """Pages with the site and page number at the foot."""

    def __init__(self, sheet: Sheet, paper: Paper) -> None:
        super().__init__(format="A4" if paper == "a4" else "Letter")
        self.foot = (
            f"coilbook callout, {sheet.title} ({sheet.card['site_id']}), {words.day(sheet.printed_on)}"
        )
        for style, name in (("", "Regular"), ("B", "Semibold")):
            self.add_font(FAMILY, style, _fonts() / f"SourceSansPro-{name}.ttf")
        self.set_margin(EDGE)
        self.set_auto_page_break(auto=True, margin=EDGE + 2)
        self.set_title(f"Callout {sheet.title}")
        self.set_lang("en")
        self.set_creator("coilbook")
        if sheet.horizon is not None:
            self.set_creation_date(sheet.horizon)

    def footer(self) -> None:
        """What the page is, and which of how many."""
        self.set_y(-EDGE)
        self.letters(8)
        self.cell(self.epw / 2, LINE, self.foot)
        self.cell(self.epw / 2, LINE, f"{self.page_no()} of {{nb}}", align="R")

    def letters(self, size: float, *, bold: bool = False) -> None:
        """Set the type: `size` [pt]."""
        self.set_font(FAMILY, "B" if bold else "", size)

    def said(self, text: str, size: float = 9.5, *, bold: bool = False, indent: float = 0.0) -> None:
        """A paragraph over the whole width less `indent` [mm]."""
        self.letters(size, bold=bold)
        self.set_x(EDGE + indent)
        height = LINE * size / 9.5
        self.multi_cell(self.epw - indent, height, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def heading(self, text: str, keep: float = 18.0) -> None:
        """A heading that stays with the `keep` millimetres after it."""
        if self.will_page_break(keep):
            self.add_page()
        self.ln(2.2)
        self.said(text, 11.5, bold=True)
        self.ln(0.6)

    def hairline(self, grey: int = 150) -> None:
        """A line over the width."""
        self.set_draw_color(grey)
        self.line(EDGE, self.get_y(), self.w - EDGE, self.get_y())
        self.set_draw_color(0)


def _fonts() -> Path:
    found = find_spec("font_source_sans_pro")
    assert found is not None
    assert found.origin is not None
    return Path(found.origin).parent / "files"


def _head(pdf: _Pages, sheet: Sheet) -> None:
    card = sheet.card
    pdf.said(f"Callout: {sheet.title}", 17, bold=True)
    area = f", area {card['area']}" if card["area"] else ""
    place = (
        f" Place {card['latitude']:.4f}, {card['longitude']:.4f}."
        if card["latitude"] is not None and card["longitude"] is not None
        else ""
    )
    logs = f" Logs up to {words.moment(sheet.horizon)} UTC." if sheet.horizon else ""
    pdf.said(
        f"{card['site_id']}{area}, for {words.long_day(sheet.printed_on)}. "
        f"Local times: {card['timezone']}.{place}{logs}"
    )


def _cautions(pdf: _Pages) -> None:
    pdf.ln(1.6)
    begin = pdf.get_y()
    pdf.set_left_margin(EDGE + 4)
    pdf.set_y(begin + 0.8)
    pdf.letters(10.5, bold=True)
    pdf.cell(0, LINE + 0.6, "Before anyone opens an enclosure", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    for lead, rest in words.CAUTIONS:
        pdf.letters(9.2)
        pdf.multi_cell(
            0, 4.2, f"**{lead}** {rest}", markdown=True, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )
    pdf.set_left_margin(EDGE)
    pdf.set_line_width(1.1)
    pdf.line(EDGE + 0.6, begin, EDGE + 0.6, pdf.get_y() + 0.8)
    pdf.set_line_width(0.2)
    pdf.ln(1)


def _cases(pdf: _Pages, sheet: Sheet) -> None:
    pdf.heading("Why somebody is needed")
    if not sheet.cases:
        pdf.said("No case stands open at this site, so nothing here has to be checked.")
    for seen in sheet.cases:
        _case(pdf, seen)


def _case(pdf: _Pages, seen: CaseSeen) -> None:
    case = seen.case
    severity = words.plain(case["severity"], words.SEVERITY)
    pdf.said(f"{severity}. {seen.title}", 10, bold=True)
    if case["sentence"]:
        pdf.said(words.bound(case["sentence"]))
    if case["next_step"]:
        pdf.said(words.bound(f"Next: {case['next_step']}"))
    for line in seen.evidence:
        pdf.said(line.said, 8.6, indent=4)
    pdf.ln(1.4)


def _bring(pdf: _Pages, sheet: Sheet) -> None:
    pdf.heading("What to bring")
    if sheet.kit:
        kit = "; ".join(sheet.kit)
        pdf.said(f"{kit[0].upper()}{kit[1:]}.")
    if sheet.parts.rows:
        _table(pdf, sheet.parts)
        pdf.said(
            "Choose by poles, contact current and coil voltage; compare with the label before fitting.",
            8.6,
        )
    else:
        pdf.said("No case here asks for a new contactor.")
    if sheet.fitted.rows:
        _table(pdf, sheet.fitted)


def _table(pdf: _Pages, table: Table) -> None:
    pdf.ln(0.8)
    pdf.said(table.caption, 9.2, bold=True)
    pdf.letters(8.8)
    aligns = tuple("RIGHT" if head.figure else "LEFT" for head in table.heads)
    with pdf.table(
        borders_layout="HORIZONTAL_LINES",
        line_height=4.4,
        text_align=aligns,
        headings_style=FontFace(emphasis="BOLD"),
        col_widths=(2, 2.4, 4, 1, 2, 1.2),
    ) as drawn:
        for cells in ([head.name for head in table.heads], *table.rows):
            row = drawn.row()
            for cell in cells:
                row.cell(cell)
    pdf.ln(1)


def _checks(pdf: _Pages, sheet: Sheet) -> None:
    pdf.heading("What to check, in this order")
    for stage, checks in sheet.stages:
        if pdf.will_page_break(3 * LINE):
            pdf.add_page()
        pdf.said(stage, 9.8, bold=True)
        for check in checks:
            if pdf.will_page_break(2 * LINE):
                pdf.add_page()
            pdf.rect(EDGE, pdf.get_y() + 0.6, BOX, BOX)
            why = f" ({check.why})" if check.why else ""
            pdf.said(f"{check.number}. {check.text}{why}", indent=BOX + 2)
            pdf.ln(0.6)
        pdf.ln(0.8)


def _outcome(pdf: _Pages, sheet: Sheet) -> None:
    """Kept together on the page begun where it fits there, else on one of its own with more room to write."""
    lines = FEW_LINES
    if pdf.will_page_break(
        12 + len(sheet.cases) * (2 * LINE + 3 + lines * (WRITING + 2)) + 2 * (WRITING + 3)
    ):
        pdf.add_page()
        lines = MORE_LINES
    pdf.heading("Outcome")
    for seen in sheet.cases:
        if pdf.will_page_break(lines * (WRITING + 2) + 2 * LINE):
            pdf.add_page()
        _one_outcome(pdf, seen, lines)
    for label in ("Name, licence, date, from, to", "Part fitted; reading of the counter if there is one"):
        if pdf.will_page_break(WRITING + LINE):
            pdf.add_page()
        _write(pdf, label)


def _one_outcome(pdf: _Pages, seen: CaseSeen, lines: int) -> None:
    pdf.said(seen.title, 9.5, bold=True)
    pdf.ln(0.8)
    step = pdf.epw / len(words.OUTCOME)
    pdf.letters(9.5)
    for place, said in enumerate(words.OUTCOME.values()):
        left = EDGE + place * step
        pdf.rect(left, pdf.get_y() + 0.6, BOX, BOX)
        pdf.set_x(left + BOX + 1.2)
        pdf.cell(step - BOX - 1.2, LINE, said)
    pdf.ln(LINE)
    for place in range(lines):
        _write(pdf, "" if place else "Found and done")
    pdf.ln(2)


def _write(pdf: _Pages, label: str) -> None:
    """A line to write on; its label stands small below."""
    pdf.ln(WRITING - 1)
    pdf.hairline()
    if label:
        pdf.said(label, 7.5)
