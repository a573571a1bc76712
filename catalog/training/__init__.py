"""Fit the arrays that the package ships, from labelled recordings; nothing else imports this."""
