"""The pre-flight: a look at a few simple pictures before a scan is worth its time."""
