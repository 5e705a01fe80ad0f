"""The demonstration: a synthetic study with a known true effect, from a physics-based generator.

A seed goes in, a study folder comes out (`make_study`). It is not part of the method: it makes
data to try the method on, labelled synthetic throughout.
"""

from roadlog.demo.make import make_study

__all__ = ["make_study"]
