"""What a recipe comes to: grams, costs and minutes of a portion, the limits it touches, what makes it unfit."""

from wholesale.core.recipes.check import refuse_recipe, with_recipe
from wholesale.core.recipes.differences import differences
from wholesale.core.recipes.limits import LimitNote, limits, notes_for_load
from wholesale.core.recipes.portion import Priced, RecipeView, Size, StepTime, Taken, portion, sizes
from wholesale.core.recipes.words import ALWAYS, since_words, version_words

__all__ = [
    "ALWAYS",
    "LimitNote",
    "Priced",
    "RecipeView",
    "Size",
    "StepTime",
    "Taken",
    "differences",
    "limits",
    "notes_for_load",
    "portion",
    "refuse_recipe",
    "since_words",
    "sizes",
    "version_words",
    "with_recipe",
]
