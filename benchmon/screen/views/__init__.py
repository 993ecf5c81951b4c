"""Views and dialogs: the keys and widgets of each."""
