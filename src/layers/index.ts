// The list of layers a mission file may name. To add one: write its file, add it here.
import { aos } from './aos.js';
import { cadu } from './cadu.js';
import { dvbS2 } from './dvb-s2.js';
import { gse } from './gse.js';
import type { LayerDefinition } from './layer.js';
import { packets } from './packets.js';
import { stream } from './stream.js';
import { tm } from './tm.js';
import { ts } from './ts.js';
import { udp } from './udp.js';

/** What ends the list in place of the mission's own frame; it takes no layer above it, and so is none of these. */
export { FILE_DELIVERY } from '../mission/segmentation.js';

// biome-ignore lint/suspicious/noExplicitAny: each definition checks its own options by its schema
export const LAYERS: ReadonlyMap<string, LayerDefinition<any>> = new Map(
  [dvbS2, stream, cadu, tm, aos, packets, gse, ts, udp].map((layer) => [layer.name, layer]),
);
