"""What people open in a browser: a short route a page; templates beside in ``templates/``."""
