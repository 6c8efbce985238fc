"""The pages, one module for each; ``listed`` puts them together."""
