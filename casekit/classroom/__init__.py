"""The classroom: JupyterHub on one machine, with the service beside it and every trainee's server under its own id.

In: a folder with the list of a class. Out: a Hub that runs; `README.md` here says how, and what it does not protect.
"""
