"""The pure step, and who may do what: commands, states, helm, session, memory."""
