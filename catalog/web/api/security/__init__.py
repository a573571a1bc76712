"""Who may use the page, and what each request and response must carry."""
