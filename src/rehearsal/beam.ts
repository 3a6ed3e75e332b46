// The rotating beam as a ground station meets it: the spacecraft's turning carries the antenna's main lobe past the station once
// per rotation, and the pass makes the way longer at its ends. Link margins are in dB above the level where half of all baseband
// frames are lost.

/** Antenna and rotation of the spacecraft. */
export type Beam = {
  /** The first rotation, seconds. */
  readonly periodSeconds: number;
  /** By what fraction each rotation is longer than the one before it; negative when the spacecraft spins up. */
  readonly driftPerTurn: number;
  /** Width of the main lobe between its half-power points, degrees, below 180. */
  readonly halfPowerDegrees: number;
  /** How far side and back lobes lie below the main lobe, dB, positive. */
  readonly floorDb: number;
};

export type Pass = {
  /** Seconds since the campaign began; `end` exclusive. */
  readonly start: number;
  readonly end: number;
  /** How much weaker the signal is at both ends of the pass than in its middle, dB. */
  readonly edgeLossDb: number;
};

/** A patch antenna on a cubesat's face: common practice is a lobe of some 70 degrees; side and back lobes 15 to 20 dB down. */
export const defaultBeam = (periodSeconds: number): Beam => ({
  periodSeconds,
  driftPerTurn: 0.0004,
  halfPowerDegrees: 70,
  floorDb: 18,
});

/** Rotations done after `seconds`, with the drift to first order: t/T - drift/2 * (t/T)^2. */
export function turnsAt(beam: Beam, seconds: number): number {
  const turns = seconds / beam.periodSeconds;
  return turns - (beam.driftPerTurn / 2) * turns * turns;
}

/**
 * The antenna's pattern: cos^q of the angle off its axis (common practice for a single broad lobe), q from the half-power width,
 * never below the floor.
 *
 * @param angle radians off the axis, any sign
 * @returns dB relative to the axis, 0 or less
 */
export function patternDb(beam: Beam, angle: number): number {
  const q = Math.log(0.5) / Math.log(Math.cos((beam.halfPowerDegrees / 2) * (Math.PI / 180)));
  const cosine = Math.cos(angle);
  return cosine <= 0 ? -beam.floorDb : Math.max(-beam.floorDb, 10 * q * Math.log10(cosine));
}

/**
 * @param phase where in a turn the axis points at the station, 0 to 1
 * @returns dB relative to the beam's axis
 */
export function beamGainDb(beam: Beam, seconds: number, phase: number): number {
  return patternDb(beam, 2 * Math.PI * (turnsAt(beam, seconds) - phase));
}

/** Free-space loss over a straight fly-by, relative to the middle of the pass: the distance squared grows with the square of time. */
export function passLossDb(pass: Pass, seconds: number): number {
  const half = (pass.end - pass.start) / 2;
  const fromMiddle = (seconds - pass.start - half) / half;
  return 10 * Math.log10(1 + (10 ** (pass.edgeLossDb / 10) - 1) * fromMiddle * fromMiddle);
}

/** Distance in dB between 99 % of the frames lost and 1 %: the code's waterfall is about this wide (from memory). */
const WATERFALL_DB = 0.3;

/** The chance that a baseband frame is not decoded: a logistic curve through 1/2 at margin 0. */
export function frameLossProbability(marginDb: number): number {
  return 1 / (1 + Math.exp((marginDb * 2 * Math.log(99)) / WATERFALL_DB));
}
