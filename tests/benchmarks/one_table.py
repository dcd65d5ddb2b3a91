"""What `today` is compared with: a program that prints one rich table."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

table = Table("Bed", "Treatment", "Due")
for number in range(1, 13):
    table.add_row(f"B{number}", "compost", "day 28, today")
Console().print(table)
