"""Names of the environment's variables by which `leeway serve` tells the pages what they show and to whom."""

STORE = "LEEWAY_STORE"  # folder of the store
SIGN_IN = "LEEWAY_SIGN_IN"  # set where people sign in
