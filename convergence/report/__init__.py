"""What people read and other programs take: the printed table, ``outlook.csv``, files written whole or not at all."""

from convergence.report.files import write_text
from convergence.report.table import outlook_csv, outlook_text

__all__ = ["outlook_csv", "outlook_text", "write_text"]
