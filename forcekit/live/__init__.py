"""A session on the platform while it runs: samples in, reps out, and everything the coach says about them.

| file | what it holds |
|---|---|
| session.py | `LiveSession`: the recording, the running analysis, the history and the coach's entries in one object |
| feed.py | from packets of the devices to the running analysis: clocks, trace |
| measuring.py | what is due is measured, judged and kept, in a thread of its own |
| keeping.py | a settled lift with its window into the history |
| reps.py, looks.py | a rep, a device, the plate as a page shows them |
| said.py, trial.py, platform_check.py | what the coach says, tries, and checks |
| recorded_cards.py | the cards of the recording, as the coach says and takes back |
| trace.py | the running trace of force and pressure, thinned for drawing |
| sharing.py | who may look and who may change: this machine, and guests let in with a one-time code |
| orders.py | what a page may ask for, checked and handed to the session |
| room.py | what all open pages share, and what each visitor may see of it |
| stream.py | state and trace to an open page, its orders back |
| bench.py, review.py | the history for the bench and for the lifter's page: answers, sentences, figures |
| server.py | the web server: routes, headers, who is turned away |
| pages/ | the pages: HTML, CSS and JavaScript, without a build step |
"""
