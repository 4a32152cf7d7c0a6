"""How long stadia last: fits, estimates without a model, comparisons."""
