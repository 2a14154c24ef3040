"""The session file: its model, and how its text is read, checked and described.

`load_session` is in `runner.session.load`, the model in `runner.session.model`, the JSON Schema in
`runner.session.schema`; nothing is imported here, so that a command that needs none of it starts fast.
"""
