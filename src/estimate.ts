// The repeats estimate of a ledger: `estimateRepeats` fed with what the ledger's stations heard.
import path from 'node:path';
import { placeLedger } from './coverage/build-coverage.js';
import { stationReceptions } from './coverage/stations.js';
import { UsageError } from './errors.js';
import { findFileEditions } from './files/edition.js';
import { Ledger } from './ledger/ledger.js';
import { estimateRepeats, type RepeatsEstimate } from './planning/repeats.js';

export type EstimateOptions = {
  /** Wanted chance that everything arrives. Default 0.99. */
  readonly target?: number;
  /** Only these stations. Default all. */
  readonly stations?: readonly string[];
};

/**
 * @param out an output folder
 * @throws LedgerError without a usable ledger; UsageError for a station it does not have
 */
export function estimate(out: string, { target = 0.99, stations: wanted }: EstimateOptions = {}): RepeatsEstimate {
  if (!(target > 0 && target < 1)) throw new UsageError(`the target is a chance between 0 and 1, got ${target}`);
  const ledger = Ledger.open(path.join(out, 'ledger'));
  try {
    const placements = placeLedger(ledger);
    const { downlink, frame, files } = ledger.mission;
    const { editions } = findFileEditions(ledger, placements, files.catalogue);
    const all = stationReceptions(ledger, placements, editions);
    const unknown = wanted?.find((name) => !all.some((station) => station.name === name));
    if (unknown !== undefined) {
      throw new UsageError(`no station "${unknown}" in this ledger; it has ${all.map(({ name }) => name).join(', ')}`);
    }
    return estimateRepeats({
      stations: wanted ? all.filter(({ name }) => wanted.includes(name)) : all,
      segments: editions.reduce((sum, { total }) => sum + total, 0),
      target,
      ...(downlink.bitsPerSecond && { frameSeconds: (frame.length * 8) / downlink.bitsPerSecond }),
      ...(downlink.rotationSeconds && { rotationSeconds: downlink.rotationSeconds }),
    });
  } finally {
    ledger.close();
  }
}
