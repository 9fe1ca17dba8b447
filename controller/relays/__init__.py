"""Where commands go to: one module for each kind of relay. Nothing else may switch a heater."""
