"""The form of `benchmon new`: every question in sight, back and forth, with what follows from the answers.

- `form_state`: what the form knows: rows, the cursor, answers that were refused or asked back.
- `form_lines`: that state as lines of cells, without Textual.
- `form`: the program, its line to type in, and the threads that predict and that read meters.
"""
