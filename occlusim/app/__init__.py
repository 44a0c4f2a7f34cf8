"""The local page: cases in a folder, files dropped in, checked, run and read without a command.

Everything that matters lies on disk in the case's folder, so that a refresh, a second tab or the
next day see the same. `store` keeps the cases, `jobs` runs them in processes of their own, `server`
binds page and files to the loopback address.
"""
