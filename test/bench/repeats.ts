// npm run bench:repeats [-- --campaigns 200 --seed 1]: is the estimate of repeats as sure as it says? Rehearses campaigns of known truth
// (test/planning/receptions.ts: the rehearsal's channel, no bytes), estimates from what each station received, and compares with
// fresh rehearsals of the same truth.
import { parseArgs } from 'node:util';
import { QUICK_EFFORT, repeatsCurve } from '../../src/planning/repeats.js';
import { findRotation } from '../../src/planning/rotation.js';
import { type Random, seededRandom } from '../../src/rehearsal/random.js';
import { listening, rehearsePass, type Truth, trueChances, truePeriod } from '../planning/receptions.js';

const { values } = parseArgs({
  options: { campaigns: { type: 'string', default: '200' }, seed: { type: 'string', default: '1' } },
});
const TARGET = 0.99;
/** Fresh rotations for each campaign: a chance near 0.99 is then known to 0.22 %, one near 0.5 to 1.1 %. */
const FRESH_TURNS = 2000;

/** 1 to 3 stations, 6 to 12 rotations, views of a quarter to two fifths of a rotation, 1 to 8 % lost in bursts, shared fades in half of all. */
function drawTruth(random: Random): Truth & { segments: number } {
  const between = (low: number, high: number): number => low + (high - low) * random.float();
  const periodSeconds = between(40, 120);
  const phase = random.float();
  const links = Array.from({ length: 1 + random.below(3) }, () => {
    const leave = 1 / between(2, 8);
    const loss = between(0.01, 0.08);
    return {
      marginDb: between(4, 8),
      phase: phase + between(-0.05, 0.05),
      bursts: { enter: (loss / (1 - loss)) * leave, leave },
      damage: between(0, 0.01),
    };
  });
  const loss = random.float() < 0.5 ? 0 : between(0.01, 0.04);
  const leave = 1 / between(2, 8);
  return {
    beam: { periodSeconds, driftPerTurn: between(-0.0006, 0.0006), halfPowerDegrees: between(90, 120), floorDb: 18 },
    rate: between(400, 700) / periodSeconds,
    seconds: (6 + random.below(7)) * periodSeconds,
    links,
    edgeLossDb: between(0, 1.5),
    shared: { enter: (loss / (1 - loss)) * leave, leave },
    segments: 40 + random.below(60),
  };
}

const campaigns = Number(values.campaigns);
const tally = {
  period: 0,
  covered: 0,
  below: 0,
  above: 0,
  width: 0,
  counted: 0,
  reaches: 0,
  lessFails: 0,
  estimate: 0,
};
const remarks: string[] = [];
const started = Date.now();
for (let campaign = 0; campaign < campaigns; campaign++) {
  const seed = Number(values.seed) * 100_000 + campaign;
  const truth = drawTruth(seededRandom(seed, 'truth'));
  const stations = listening(rehearsePass(truth, seed)).filter(({ received }) => received.length > 0);
  const began = Date.now();
  const rotation = findRotation(stations);
  if (!rotation) {
    remarks.push(`campaign ${campaign}: no rotation found`);
    continue;
  }
  const error = rotation.period / truePeriod(truth) - 1;
  if (Math.abs(error) < 0.005) tally.period++;
  else remarks.push(`campaign ${campaign}: period off by ${(100 * error).toFixed(2)} %`);
  const carousel = { cycle: truth.segments, observed: true, files: [{ id: '1', segments: truth.segments, place: 0 }] };
  const names = stations.map(({ name }) => name);
  const curve = repeatsCurve({ rotation, names, carousel, target: TARGET, effort: QUICK_EFFORT, seed });
  tally.estimate += Date.now() - began;
  const most = curve.points.at(-1)!.repeats;
  const chances = trueChances(truth, truth.segments, most, seed + 50_000, FRESH_TURNS);
  for (const { repeats, interval } of curve.points) {
    const chance = chances[repeats - 1]!;
    // Where the truth is all or nothing every interval is right.
    if (chance < 0.02 || chance > 0.98) continue;
    tally.width += interval[1] - interval[0];
    if (chance < interval[0]) tally.below++;
    else if (chance > interval[1]) tally.above++;
    else tally.covered++;
  }
  if (curve.repeats === null) {
    remarks.push(`campaign ${campaign}: no count recommended`);
    continue;
  }
  tally.counted++;
  if (chances[curve.repeats - 1]! >= TARGET) tally.reaches++;
  if (curve.repeats === 1 || chances[curve.repeats - 2]! < TARGET) tally.lessFails++;
}

const intervals = tally.covered + tally.below + tally.above;
const share = (part: number, whole: number): string => `${((100 * part) / whole).toFixed(1)} % (${part} of ${whole})`;
const seconds = (milliseconds: number): string => `${(milliseconds / 1000).toFixed(0)} s`;
process.stdout.write(`${campaigns} campaigns, seed ${values.seed}: ${seconds(Date.now() - started)}, of which the estimates took ${seconds(tally.estimate)}
period within 0.5 % (wanted: 95 %):                  ${share(tally.period, campaigns)}
90 % intervals that cover the truth (wanted: 85-95): ${share(tally.covered, intervals)}; truth below ${tally.below}, above ${tally.above}; mean width ${(tally.width / intervals).toFixed(3)}
recommended count reaches ${TARGET} (wanted: 90 %):      ${share(tally.reaches, tally.counted)}
one less does not (wanted: most):                    ${share(tally.lessFails, tally.counted)}
${remarks.map((remark) => `${remark}\n`).join('')}`);
