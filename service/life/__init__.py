"""What ends an MEA: the rule, lives, trace, suspects and containment."""
