"""The look of the sheet: black on white, for a screen and for A4 or Letter across; no colour carries a meaning."""

from __future__ import annotations

CSS = """
@page { size: landscape; margin: 10mm 11mm 12mm; @bottom-right { content: counter(page) " / " counter(pages);
  font: 8pt sans-serif; } }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { font: 10pt/1.35 system-ui, "Helvetica Neue", Arial, "Liberation Sans", sans-serif; color: #000;
  background: #fff; margin: 0 auto; padding: 1.2em; max-width: 1500px; }
h1 { font-size: 17pt; margin: 0; }
h2 { font-size: 13pt; margin: 1.5em 0 .4em; border-bottom: 1.5px solid #000; padding-bottom: .1em; }
h3 { font-size: 11pt; margin: 1.1em 0 .3em; }
p { margin: .35em 0; max-width: 110em; }
small { font-size: 82%; color: #333; }
a { color: #000; text-decoration: underline; text-underline-offset: 2px; }
nav { margin: .5em 0; }
nav a { margin-right: 1.1em; white-space: nowrap; }
table { border-collapse: collapse; margin: .4em 0; width: 100%; font-size: 90%; }
table.narrow { width: auto; min-width: 55%; }
thead { display: table-header-group; }
tbody, tr { break-inside: avoid; }
th { text-align: left; vertical-align: bottom; border-bottom: 1.5px solid #000; padding: .15em .45em;
  font-weight: 600; }
td { vertical-align: top; border-top: 1px solid #999; padding: .2em .45em; overflow-wrap: break-word; }
tr.under td { border-top: 0; padding: 0 .45em .35em 2.4em; color: #222; }
.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
td.number, th.number { padding-right: 1em; }
td.number small { white-space: normal; }
table.ranked tr:not(.under) td:nth-child(2), .kept { white-space: nowrap; }
table.changes td:nth-child(-n+3) { min-width: 8em; }
.state { display: inline-block; padding: 0 .45em; border: 1.5px solid #000; font-weight: 600; white-space: nowrap; }
.state.past { background: #000; color: #fff; }
.state.heading { background: #ccc; }
.state.blind { border-style: dashed; }
.state.undetermined { border-style: dotted; }
.state.clear { border-color: #aaa; font-weight: 400; }
.caution { border: 1.5px solid #000; padding: .4em .7em; margin: .6em 0; }
ul { margin: .3em 0; padding-left: 1.3em; }
img { display: block; height: auto; max-width: 100%; margin: .5em 0; }
img.half { display: inline-block; width: 49%; max-width: 640px; vertical-align: top; }
img.page, img.wide { width: 100%; max-width: 1290px; }
table.sign td { height: 3.1em; border: 1px solid #000; }
table.sign th { border: 1px solid #000; }
:target { outline: 2.5px solid #000; outline-offset: 2px; }
@media screen {
  /* a figure out of sight is laid out and painted when it comes into sight */
  section.one, section.pictures { content-visibility: auto; contain-intrinsic-size: auto 900px; }
}
@media print {
  body { font-size: 7.8pt; line-height: 1.25; padding: 0; max-width: none; }
  h1 { font-size: 14pt; }
  h2 { font-size: 10.5pt; margin: .8em 0 .25em; break-after: avoid; }
  h3 { break-after: avoid; }
  td, th { padding: .08em .3em; }
  td.number, th.number { padding-right: .8em; }
  p { max-width: none; orphans: 3; widows: 3; }
  nav { display: none; }
  section, .caution { margin: .3em 0; }
  img, table.sign, .caution, li, p { break-inside: avoid; }
  /* a paragraph that is all there is below its heading holds nothing that follows it */
  .lead, h2 + p:not(:last-child), p:has(+ table), thead { break-after: avoid; }
  /* the first rows stay with their heading */
  table { orphans: 2; }
  .state.past, .state.heading { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
  section.one { break-before: page; }
  /* pictures in a row are lines of the page, and one line may stand alone */
  section.pictures { orphans: 1; widows: 1; }
  img { margin: .1em auto; }
  img.page { max-height: 178mm; max-width: 100%; width: auto; }
  /* two of them fit on a page of either paper, a map below a heading and a row of halves too */
  img.wide { max-height: 88mm; max-width: 100%; width: auto; }
  img.map { max-height: 96mm; }
  img.low { max-height: 71mm; }
  img.half { width: 49.8%; max-width: none; max-height: 79mm; object-fit: contain; margin: .1em 0; }
  :target { outline: 0; }
  a { text-decoration: none; }
}
"""
