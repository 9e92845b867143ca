/** The thread of checkAhead: tells of each file in turn whether all of its lines pass. */
import { workerData, type MessagePort } from 'node:worker_threads'
import { DeskDisk } from '../hardware/disk.js'
import { readStoreFolder } from '../store/store.js'
import type { CheckAheadWork, CheckedAhead } from './check-ahead.js'

const { work, port } = workerData as { readonly work: CheckAheadWork; readonly port: MessagePort }
const store = await readStoreFolder(new DeskDisk(work.folder))
if (store.ok)
  for (const file of work.files) {
    const bytes = await store.value.reader.soundBytes(file)
    if (bytes !== undefined) port.postMessage([file, bytes] satisfies CheckedAhead)
  }
