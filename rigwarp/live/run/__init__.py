"""The frame loop: window, session, statistics, running unattended."""
