"""The bench: a page on the tester's own machine over the same functions and files as the commands.

`door` decides who may come in, `app` has the routes, `pages` one module a page, `jobs` runs long
work in processes of its own (`worker`, `tasks`), `words` the texts in the reader's language.
"""
