// Closed forms: E. N. Gilbert, "Capacity of a burst-noise channel", 1960; E. O. Elliott, "Estimates of error rates for codes on
// burst-noise channels", 1963. With transition chances p (good to bad) and r (bad to good) the stationary share of bad is p / (p + r)
// and a stay in bad lasts 1 / r steps on average (geometric).
import { expect, test } from 'vitest';
import {
  beamGainDb,
  defaultBeam,
  frameLossProbability,
  passLossDb,
  patternDb,
  turnsAt,
} from '../../src/rehearsal/beam.js';
import { Channel, damageDataField, GilbertElliott } from '../../src/rehearsal/channel.js';
import { seededRandom } from '../../src/rehearsal/random.js';

const STEPS = 400_000;

test.each([
  [0.01, 0.25],
  [0.002, 0.05],
  [0.2, 0.6],
  [0.5, 0.5],
])('bursts with enter %f and leave %f lose the share and last as long as the closed form says', (enter, leave) => {
  const chain = new GilbertElliott({ enter, leave }, seededRandom(11, `${enter}/${leave}`));
  let lost = 0;
  let bursts = 0;
  for (let i = 0, before = false; i < STEPS; i++) {
    const bad = chain.step();
    if (bad) lost += 1;
    if (bad && !before) bursts += 1;
    before = bad;
  }
  const share = enter / (enter + leave);
  // Standard deviation of the mean of a two-state chain with correlation 1 - p - r between neighbours; five of them allowed.
  const correlation = 1 - enter - leave;
  const deviation = Math.sqrt((share * (1 - share) * (1 + correlation)) / (1 - correlation) / STEPS);
  expect(Math.abs(lost / STEPS - share)).toBeLessThan(5 * deviation);
  // A geometric length has deviation sqrt(1 - r) / r.
  expect(Math.abs(lost / bursts - 1 / leave)).toBeLessThan((5 * Math.sqrt(1 - leave)) / leave / Math.sqrt(bursts));
});

test('a channel without bursts, noise or damage loses nothing in its pass and everything outside', () => {
  const pass = { start: 2, end: 4, edgeLossDb: 3 };
  const link = { pass, marginDb: Number.POSITIVE_INFINITY, phase: 0, bursts: { enter: 0, leave: 1 }, damage: 0 };
  const channel = new Channel(link, defaultBeam(1), seededRandom(1, 'clear'));
  const fates = Array.from({ length: 60 }, (_, i) => channel.fate(i / 10));
  expect(fates.map((fate) => fate === 'intact')).toEqual(fates.map((_, i) => i >= 20 && i < 40));
});

test('a channel passes frames on damaged as often as its link says', () => {
  const pass = { start: 0, end: STEPS, edgeLossDb: 0 };
  const link = { pass, marginDb: Number.POSITIVE_INFINITY, phase: 0, bursts: { enter: 0, leave: 1 }, damage: 0.05 };
  const channel = new Channel(link, undefined, seededRandom(2, 'damage'));
  let damaged = 0;
  for (let i = 0; i < STEPS; i++) if (channel.fate(i) === 'damaged') damaged += 1;
  expect(Math.abs(damaged / STEPS - 0.05)).toBeLessThan(5 * Math.sqrt((0.05 * 0.95) / STEPS));
});

test('damage changes exactly the bytes it names, all in the data field', () => {
  const random = seededRandom(3, 'flips');
  for (let round = 0; round < 500; round++) {
    const before = random.fill(new Uint8Array(384));
    const after = before.slice();
    const flips = damageDataField(after, 10, random);
    const changed = [...after.keys()].filter((i) => after[i] !== before[i]).map((i) => i - 10);
    expect(changed).toEqual(flips);
    expect(flips.length).toBeGreaterThan(0);
    expect(flips[0]).toBeGreaterThanOrEqual(0);
  }
});

test('the antenna pattern is 0 dB on the axis, -3 dB at half the half-power width, and its floor behind', () => {
  const beam = { ...defaultBeam(94), halfPowerDegrees: 70, floorDb: 18 };
  expect(patternDb(beam, 0)).toBeCloseTo(0, 12);
  expect(patternDb(beam, (35 * Math.PI) / 180)).toBeCloseTo(10 * Math.log10(0.5), 9);
  expect(patternDb(beam, (-35 * Math.PI) / 180)).toBeCloseTo(10 * Math.log10(0.5), 9);
  expect(patternDb(beam, Math.PI)).toBe(-18);
});

test('the beam comes back once per rotation, later by the drift', () => {
  const beam = { ...defaultBeam(94), driftPerTurn: 0.001 };
  expect(beamGainDb(beam, 0.25 * 94, 0.25)).toBeCloseTo(0, 4);
  // The k-th turn is k * drift longer than the first: after ten turns some 45 to 55 thousandths of a turn have added up.
  const slip = 10 - turnsAt(beam, 940);
  expect(slip).toBeGreaterThan(0.045);
  expect(slip).toBeLessThan(0.055);
});

test('a pass is weaker at its ends by what the plan says, and by nothing in its middle', () => {
  const pass = { start: 100, end: 700, edgeLossDb: 4 };
  expect(passLossDb(pass, 400)).toBe(0);
  expect(passLossDb(pass, 100)).toBeCloseTo(4, 9);
  expect(passLossDb(pass, 700)).toBeCloseTo(4, 9);
});

test('the loss falls from 99 % to 1 % over 0.3 dB around margin 0', () => {
  expect(frameLossProbability(0)).toBe(0.5);
  expect(frameLossProbability(-0.15)).toBeCloseTo(0.99, 9);
  expect(frameLossProbability(0.15)).toBeCloseTo(0.01, 9);
  expect(frameLossProbability(Number.POSITIVE_INFINITY)).toBe(0);
});
