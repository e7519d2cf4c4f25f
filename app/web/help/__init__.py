"""The help: the Markdown pages of app/help, rendered and searched. Nothing here knows the record."""
