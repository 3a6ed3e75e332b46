// What every view is given.
import type { PageDocument } from '../../report/page-document.js';

export type ViewProps = {
  readonly document: PageDocument;
  /** On paper everything is open and nothing waits to be scrolled to. */
  readonly printing: boolean;
};
