"""From a run that ends wrong to the functions of the C that are to blame."""
