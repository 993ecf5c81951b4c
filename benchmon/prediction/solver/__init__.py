"""The numerical methods: collocation around a period, steady state and transients."""
