package check

// Limits of the findings. Common practice, no source, except where a comment says otherwise.
const (
	lostUnfit     = 0.01  // share of samples or edges lost
	oscillator    = 200   // ppm; a quartz is good to 100, a ceramic resonator to some thousands
	wrongClock    = 10000 // ppm; the rate that the board states is not its rate
	jitterNote    = 0.5   // degrees of one edge
	jitterUnfit   = 5     //
	droppedNote   = 0.01  // share of revolutions
	droppedUnfit  = 0.1   //
	turnsNote     = 0.1   // share of revolutions dropped for any reason
	turnsUnfit    = 0.5   //
	clipUnfit     = 1e-3  // share of samples
	missingNote   = 0.02  // share of codes that never came within the range in use
	missingUnfit  = 0.25  //
	ditherWanted  = 0.4   // steps rms: with 0.5 a 0.4-step sine read 1.5 % wrong, without any 55 to 59 % (measured in the emulator, campaign board-a)
	smallSignal   = 20    // steps, above which a sine dithers itself
	mainsShare    = 0.2   // of 1x
	mainsClear    = 5     // times the noise beside it
	driftNote     = 0.05  // of full scale, between the thirds of the record
	offsetNote    = 0.3   // of full scale
	halfOrders    = 0.2   // of 1x: a loose part's mark
	impulsive     = 6     // kurtosis; a sine has 1.5, noise 3
	skewNote      = 50e-6 // s beside what the board states
	noiseSeconds  = 10    // of reading for which the floor is told
	coverage95    = 2.448 // radius of the 95 % circle of two normal variables: sqrt(-2 ln 0.05)
	permissibleTo = 3     // the smallest unbalance seen should be this much below the permissible one
)
