"""The athlete over time: what is usual, what changed, what goes with a miss, where it breaks.

Statistics (arrays in, an answer with numbers and a sentence out; no file, no database)
    - `wording`: how a number is written for a person
    - `regression`: least squares, prediction intervals
    - `reliability`: typical error, CV, ICC, minimal detectable change, agreement
    - `loads`: which earlier reps a rep may be compared with
    - `control`: individuals and EWMA charts of numbers in order of time
    - `control_reps`: the same of reps at several loads in sessions: is the series steady?
    - `usual`: the usual range for the next rep; is this rep different?
    - `squad`: a new lifter's usual range, drawn toward the squad
    - `several`: many measures at once with one false-alarm rate
    - `trial`: did a cue or a drill change anything?
    - `misses`: what differs between makes and misses?
    - `breakload`: from which load does a measure leave its usual range?
    - `trend`: is there a trend, is there a step?

Store (SQLite in the user's data folder, or PostgreSQL by URL)
    - `schema`: the tables and their migrations
    - `store`: opening, reading, writing
    - `people`: athletes, body mass, sessions
    - `recordings`: raw files kept by content hash
    - `attempts`: adding a lift
    - `series`: reading one measure over time, or one attempt
    - `tables`: export and import as open tables
    - `removal`: complete deletion of one athlete

Both together
    - `questions`: the statistics asked of the store
"""
