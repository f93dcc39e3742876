"""How the parts are wired: settings, addresses, the door of the web server."""
