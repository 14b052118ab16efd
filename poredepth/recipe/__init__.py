"""Recipes: YAML -> typed, checked model; JSON Schema for editors; a hash of recipe and input files."""

from poredepth.recipe.hash import input_files, recipe_hash
from poredepth.recipe.load import load_recipe, parse_recipe, recipe_from_dict
from poredepth.recipe.model import Recipe
from poredepth.recipe.schema import recipe_schema

__all__ = ["Recipe", "input_files", "load_recipe", "parse_recipe", "recipe_from_dict", "recipe_hash", "recipe_schema"]
