"""Cards: the result as single pictures to show or post, each for a video, a square, a tall screen.

An `Analysed` and its answer in plain words go in; PNG and SVG come out, light and dark. `sheet` has
the frame around every picture, `pictures` what is drawn inside.
"""

from roadlog.publish.cards.draw import SUBJECTS, cards, subjects_of

__all__ = ["SUBJECTS", "cards", "subjects_of"]
