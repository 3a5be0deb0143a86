"""One Hypothesis profile for every run, so that a red test is red again tomorrow and on another machine."""

from hypothesis import HealthCheck, settings

# No deadline: a busy machine is not a fault of the code. Derandomised: the same examples each time, so that a
# failure can be handed on. too_slow is a deadline in other clothes.
settings.register_profile(
    "tubmark", deadline=None, derandomize=True, max_examples=100, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("tubmark")
