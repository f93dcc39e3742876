"""What a worker can be woken for: the number of a row comes in, one action is called."""

from wholesale.actions import documents, holding, improving, production, promises
from wholesale.queue import app


@app.task(name=documents.RENDER)
def render_document(document: int) -> None:
    """Make a paper."""
    documents.render(document)


@app.task(name=documents.SEND)
def send_mail(mail: int) -> None:
    """Send an e-mail with its paper."""
    documents.send_mail(mail)


@app.task(name=documents.REFRESH)
def refresh_dates(errand: int) -> None:
    """Work out the order sheet's dates."""
    production.refresh_sheet(errand)


@app.task(name=documents.IMPROVE)
def improve_plan(errand: int) -> None:
    """Look for a better plan."""
    improving.improve_plan(errand)


@app.task(name="wholesale.sweep")
def sweep() -> None:
    """Wake a worker for what nobody took, and for what time has overtaken: deposits, the sheet's dates, the plan."""
    promises.watch_deposits()
    production.refresh_stale_sheet()
    improving.ask_at_night()
    holding.forget_old()
    documents.sweep()
