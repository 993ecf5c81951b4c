"""What the tests of several rooms need: invented supplies, far ends of instruments, reference circuits, faults."""
