"""Sequential tests on daily values: what temperature and load explain is taken out, and what is left is summed up.

Numbers in, numbers out. It is not for trends, which look at a whole record at once (:mod:`app.science.trends`).
"""
