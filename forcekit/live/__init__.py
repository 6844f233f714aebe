"""A session on the platform while it runs: samples in, reps out, and everything the coach says about them.

| file | what it holds |
|---|---|
| session.py | `LiveSession`: the recording, the running analysis, the history and the coach's entries in one object |
| trace.py | the running trace of force and pressure, thinned for drawing |
"""
