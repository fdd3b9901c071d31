"""The pages: a review list, a visit, the forms on it; all of them work without a script."""
