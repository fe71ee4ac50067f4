"""The window: what a spinner looks at while spinning. Nothing outside this package imports it."""
