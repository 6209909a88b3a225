"""The straight top view of the table camera, live: to a window, browsers, other programs and a file."""
