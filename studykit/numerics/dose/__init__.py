"""How a mean follows a dose, in arrays: shapes of curves, their fits, a half-maximal dose, people's own pace."""
