"""How each kind of step is conducted: pure machines that take readings and answers and say what comes of them."""
