"""The one place that turns templates into pages: everything put into HTML is escaped here.

Template files lie in `templates/`; text that comes from a study or a log reaches a page only
through these filters or autoescaping.
"""

from functools import lru_cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined, pass_context
from jinja2.runtime import Context
from markupsafe import Markup

from roadlog.wording.numbers import number, percent
from roadlog.wording.screen import typeset
from roadlog.wording.units import Metric, in_figures, page_with_twins, symbol

NO_NETWORK = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; "
    "base-uri 'none'; form-action 'none'"
)


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The Jinja environment: autoescaping on, an undefined name is an error."""
    env = Environment(
        loader=PackageLoader("roadlog.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["typeset"] = typeset
    env.filters["percent"] = lambda v: typeset(percent(v))
    env.filters["signed_short"] = lambda v: typeset(f"{v:+g}")
    env.filters["number"] = number
    env.filters["symbol"] = _symbol
    env.filters["figures"] = in_figures
    return env


@pass_context
def _symbol(_: Context, unit: Metric, *, change: bool = False) -> str:
    """The reader's unit. Asking for the context keeps Jinja from working a fixed unit out once and
    for all when it compiles the template, in whatever units were shown then."""
    return symbol(unit, change=change)


def render(name: str, **values: object) -> str:
    """A template filled in, in the reader's units."""
    return page_with_twins(environment().get_template(name).render(**values))


def raw(name: str) -> Markup:
    """A template file's own text (style or script of this package), trusted as it stands."""
    return Markup((files("roadlog.report") / "templates" / name).read_text(encoding="utf-8"))
