"""``python -m api.locales``: extract, update, compile and report the catalogues of texts."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.console import Console

from api.locales import keep
from api.locales.collect import collected

app = typer.Typer(help="Texts of pages and reports, and their catalogues.", no_args_is_help=True)
console = Console()


@app.command()
def extract() -> None:
    """Write every text that is said to fluebook.pot."""
    found = collected()
    keep.TEMPLATE.write_bytes(keep.written(found))
    console.print(f"{len(found)} texts in {keep.TEMPLATE.name}")


@app.command()
def update() -> None:
    """Bring each language's texts up to date, and compile them."""
    found = collected()
    keep.TEMPLATE.write_bytes(keep.written(found))
    for language in keep.translated_languages():
        keep.update(language, found)
    keep.compile_all()
    report()


@app.command(name="compile")
def compile_() -> None:
    """Compile each language's texts for programs."""
    keep.compile_all()


@app.command()
def report(every: Annotated[bool, typer.Option(help="Name each text.")] = False) -> None:
    """Say how much of each language is there."""
    found = collected()
    total = sum(1 for m in found if m.id)
    for language in keep.translated_languages():
        wrong = list(keep.faults(language, found))
        share = 100.0 * (total - len(wrong)) / total
        console.print(f"{language}: {total - len(wrong)} of {total} texts ({share:.1f} %)")
        for fault in wrong if every else ():
            console.print(f"  {fault.why}: {fault.text!r}", markup=False, soft_wrap=True)


if __name__ == "__main__":
    app()
