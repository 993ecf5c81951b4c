"""The watch: is it right, is it safe? Pure: numbers in, judgements out; no clock, file, thread or screen."""
