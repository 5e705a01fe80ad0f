"""The effect of the add-on on fuel use, from the pass table, with its interval."""
