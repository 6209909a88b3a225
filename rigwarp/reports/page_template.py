"""The pages' templates: HTML with everything escaped, and no name left undefined."""

import jinja2


def page_template(name: str) -> jinja2.Template:
    """A template of `reports/templates`."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("rigwarp.reports"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)
