"""What the planner asks: where work is worth while, whether it helped, what a period was like."""
