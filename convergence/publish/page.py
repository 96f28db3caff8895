"""Pages that stand alone: one file, no script, nothing fetched; what notebooks and sheets have in common."""

from __future__ import annotations

import html
import logging
import re

from nbconvert import HTMLExporter
from nbformat import NotebookNode
from pygments.formatters import HtmlFormatter

from convergence.publish.pictures import without_remote_pictures
from convergence.terms import CAUTION

#: A browser runs no script from the page and fetches nothing for it, whatever a notebook put into its outputs.
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:; form-action 'none'"
#: Tags that run, fetch or lead elsewhere; what a notebook put out of them is shown as text.
ACTIVE = re.compile(r"<(/?(?:script|meta|base|link|iframe|frame|object|embed|form)\b)", re.IGNORECASE)
STYLE = """
body { font: 15px/1.45 Georgia, 'Times New Roman', serif; color: #111 }
body { margin: 2em auto; max-width: 60em; padding: 0 1em }
h1, h2, h3, th, caption, .prompt, .verdict, .small { font-family: Helvetica, Arial, sans-serif }
h1 { font-size: 1.6em } h2 { font-size: 1.2em; margin-top: 1.8em } h3 { font-size: 1em }
pre, code { font: 13px/1.4 Menlo, Consolas, monospace }
pre { white-space: pre-wrap; overflow-wrap: anywhere }
img { max-width: 100% }
table { border-collapse: collapse; margin: 0.6em 0; font-size: 13px }
caption { text-align: left; font-weight: bold; padding: 0.3em 0 }
th, td { padding: 0.2em 0.6em; border-bottom: 1px solid #ccc; text-align: right; vertical-align: top }
th { border-bottom: 1px solid #555 }
.small { font-size: 12px; color: #444 }
.anchor-link { display: none }
@page { size: A4; margin: 16mm 14mm }
@media print {
  body { margin: 0; max-width: none; font-size: 10.5pt }
  h2 { break-after: avoid } tr, img { break-inside: avoid }
}
"""
NOTEBOOK_STYLE = """
.highlight { background: none !important }
.prompt { display: none }
.input_area { background: #f4f4f4; border-left: 3px solid #999; padding: 0 0.8em; margin: 0.8em 0 0.3em }
.output_subarea { overflow-x: auto }
"""


def page(title: str, body: str, style: str = "") -> str:
    """A page around a body; the title is escaped, the body is not."""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{html.escape(title)}</title>\n<style>{STYLE}{style}</style></head>\n<body>\n{body}\n"
        f'<p class="small">{html.escape(CAUTION)}</p>\n</body></html>\n'
    )


def notebook_page(notebook: NotebookNode, title: str) -> str:
    """An executed notebook as a page that stands alone."""
    # it warns of pictures without a description at every run; a notebook has no place to give one
    quiet = logging.getLogger(__name__)
    quiet.setLevel(logging.ERROR)
    body, _ = HTMLExporter(template_name="basic", log=quiet).from_notebook_node(notebook)
    body = without_remote_pictures(ACTIVE.sub(r"&lt;\1", body))
    return page(title, body, NOTEBOOK_STYLE + HtmlFormatter(style="bw").get_style_defs(".highlight"))
