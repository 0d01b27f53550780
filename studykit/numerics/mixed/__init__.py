"""Linear mixed models in arrays: fits by REML and ML, and small-sample inference for their fixed effects."""
