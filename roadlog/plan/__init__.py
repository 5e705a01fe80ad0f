"""The plan of a test: how many switch units it needs, which of them are fitted, what is agreed.

`[plan]`, the claim and the scatter of fuel use go in; a randomised schedule, its papers, and the
record of what was fixed before the first fitted run come out. Sections 5 and 7 of docs/method.md.
"""
