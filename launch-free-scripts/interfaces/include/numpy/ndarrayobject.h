/* The generated conversions include this; none of the interfaces here has a field that is a numeric array. */
