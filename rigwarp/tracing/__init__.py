"""tracing."""
