import sys

from benchd.sim.command import main

sys.exit(main())
