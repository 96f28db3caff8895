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
th { text-align: left; vertical-align: bottom; border-bottom: 1.5px solid #000; padding: .15em .45em;
  font-weight: 600; }
td { vertical-align: top; border-top: 1px solid #999; padding: .2em .45em; overflow-wrap: break-word; }
tr.under td { border-top: 0; padding: 0 .45em .35em 2.4em; color: #222; }
.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
table.changes td:nth-child(-n+3), table.ranked tr:not(.under) td:nth-child(2), .kept { white-space: nowrap; }
.state { display: inline-block; padding: 0 .45em; border: 1.5px solid #000; font-weight: 600; white-space: nowrap; }
.state.past { background: #000; color: #fff; }
.state.heading { background: #ccc; }
.state.blind { border-style: dashed; }
.state.undetermined { border-style: dotted; }
.state.clear { border-color: #aaa; font-weight: 400; }
.caution { border: 1.5px solid #000; padding: .4em .7em; margin: .6em 0; }
ul { margin: .3em 0; padding-left: 1.3em; }
img { display: block; height: auto; max-width: 100%; margin: .5em 0; }
img.third { display: inline-block; width: 32.5%; vertical-align: top; }
img.page { width: 100%; max-width: 1290px; }
img.wide { width: 100%; max-width: 1290px; }
table.sign td { height: 3.1em; border: 1px solid #000; }
table.sign th { border: 1px solid #000; }
:target { outline: 2.5px solid #000; outline-offset: 2px; }
@media print {
  body { font-size: 7.8pt; line-height: 1.25; padding: 0; max-width: none; }
  h1 { font-size: 14pt; }
  h2 { font-size: 10.5pt; margin: .9em 0 .25em; }
  td, th { padding: .08em .3em; }
  p { max-width: none; }
  nav { display: none; }
  h2, h3 { break-after: avoid; }
  tbody, tr, img, table.sign, .caution { break-inside: avoid; }
  .state.past, .state.heading { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
  section.figures { break-before: page; }
  section.one { break-before: page; }
  img.page { max-height: 181mm; max-width: 100%; width: auto; margin: 0 auto; }
  img.wide { max-width: 87%; margin: .2em auto; }
  img.third { max-height: 84mm; width: 32.5%; }
  :target { outline: 0; }
  a { text-decoration: none; }
}
"""
