"""Folders of recordings to tables.

find      which files are recordings, and which bar file belongs to which
rules     the rules file: which device file belongs to which recording, what to skip
sidecar   attempt cards from a table
columns   the columns of the tables, and one lift as one line
one       one file to its lines, whatever is wrong with it
workers   groups of files on any executor; a worker that dies takes no other file with it
processes the executor of this machine: each worker with a pipe of its own
journal   what is done already, so that a killed run goes on where it stopped
tables    the finished tables
run       all of it in order
"""
