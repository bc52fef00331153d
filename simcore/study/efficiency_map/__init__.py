"""`drybench map`: efficiency, losses, temperatures and limits over torque and speed, each point a closed-loop run."""
