"""A new bench, or changes to one: the questions, what follows from the answers, and the bench file made of them.

It knows no terminal: a form and plain questions are two ways to ask the same.

- `questions`: what a question is, and how an answer is read as a person types it.
- `supply_questions`, `filter_questions`, `output_questions`, `meter_questions`, `plan_questions`: every question,
  described once.
- `bench_text`: a bench file as text, in which keys are changed and comments stay.
- `bench_maker`: answers in, a bench file out; the draft of one that is not complete.
- `preview`: what follows from the answers: expected readings and margins.
"""
