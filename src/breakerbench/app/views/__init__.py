"""Pictures of the window, live and of a result. They draw; they compute nothing."""
