"""``manage.py demo``: the demo workshop, served or (``--once``) run through and reported."""

import time
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from wholesale.management import demo, once, told
from wholesale.management.crew import crew


class Command(BaseCommand):
    """Shows the invented workshop "Mossgate Bench" with real processes on data of its own."""

    help = "Start the demo workshop: web pages, worker and timer; one Ctrl-C stops them all."
    # It starts itself anew on its own folder, and its programs check themselves.
    requires_system_checks: tuple[str, ...] = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Where to serve, and how much."""
        parser.add_argument("--port", type=int, default=8000, help="the port of the web pages (8000)")
        parser.add_argument("--once", action="store_true", help="run the main job through, report it and end")
        parser.add_argument("--fresh", action="store_true", help="forget what was done in the demo so far")

    def handle(self, *args: Any, port: int, once: bool, fresh: bool, **options: Any) -> None:
        """Enter the demo's own folder, then do what was asked for."""
        if not once:
            demo.refuse_taken(port)
        if not demo.is_entered():
            demo.enter("once" if once else "demo", fresh=fresh or once, port=port)
        if once:
            self.once()
        else:
            self.serve(port)

    def once(self) -> None:
        """Do the main job: orders, plan, papers, a shipment, its invoice."""
        with crew(settings.VAR_DIR / "logs") as members:
            once.run(members, self.stdout.write)

    def serve(self, port: int) -> None:
        """Serve until Ctrl-C, or until one of the programs ends by itself."""
        with crew(settings.VAR_DIR / "logs") as members:
            try:
                self.stdout.write("Starting the demo …")
                demo.make_tables()
                made = demo.load_workshop(running=True)
                demo.start_worker(members)
                demo.start_timer(members)
                demo.start_web(members, port)
                self.stdout.write(told.welcome(made=made))
                while not (lost := members.lost()):
                    time.sleep(0.5)
            except KeyboardInterrupt:
                self.stdout.write("\nStopping …")
                return
            raise CommandError(lost)
