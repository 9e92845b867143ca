import { readFileSync } from 'node:fs'
import { mqttBroker, usualMqtt } from '../hardware/mqtt-broker.js'
import { commandSwitch } from '../hardware/power-switch.js'
import { systemRandom } from '../hardware/random.js'
import type { MqttSettings, Settings } from '../settings/settings.js'
import type { StationPorts } from '../station/station.js'
import { bad, bootWord, good, type Broker, type Clock, type Outcome } from '../terms/terms.js'
import { Uplink, usualUplink, type UplinkPorts } from '../uplink/uplink.js'
import { brokerAddress } from './broker-address.js'
import type { DataFolder } from './data-folder.js'

type MakeUplink = (faults: UplinkPorts['faults']) => Uplink

/** Of a store in memory: what no disk keeps is to be away soon. */
class HurriedUplink extends Uplink {
  override safeUpTo(seq: number): void {
    super.safeUpTo(seq)
    this.hurry()
  }
}

/** Reads the files that the uplink names, so that a missing one is told at the start. */
export function uplinkMaker(
  settings: Settings,
  clock: Clock,
  { store, inMemory }: Pick<DataFolder, 'store' | 'inMemory'>,
): Outcome<MakeUplink | undefined> {
  const { uplink } = settings
  if (uplink.mode === 'none') return good(undefined)
  const broker = brokerOf(uplink, uplink.clientId ?? clientIdOf(settings, store.storeId))
  if (!broker.ok) return broker
  const options = {
    ...usualUplink,
    group: settings.station.group,
    station: settings.station.name,
    ...uplinkOptions(uplink),
  }
  const ports = { broker: broker.value, store, random: systemRandom, boot: bootWord(clock.bootId) }
  const Kind = inMemory ? HurriedUplink : Uplink
  return good((faults) => new Kind(options, { ...ports, faults }))
}

/** Of a station and its store: the same settings on a second card are another client, and do not throw this one out. */
const clientIdOf = ({ station }: Settings, storeId: string): string =>
  `motepost-${station.group}-${station.name}-${storeId.slice(0, 8)}`

/** What settings say of the uplink itself; of group and station they say it elsewhere. */
export const uplinkOptions = (uplink: MqttSettings) => ({
  encoding: uplink.encoding,
  effort: 'small' as const,
  receipts: uplink.receipts,
  connection: uplink.connection,
  packEverySeconds: uplink.packEveryMinutes * 60,
  resendAfterSeconds: uplink.resendAfterMinutes * 60,
  dailyBudgetBytes: uplink.dailyBudgetKilobytes === 0 ? undefined : uplink.dailyBudgetKilobytes * 1000,
  cost: { encrypted: uplink.url.startsWith('mqtts:'), keepaliveSeconds: uplink.keepaliveSeconds },
})

/** What a connection is made of. */
type Login = Pick<
  MqttSettings,
  | 'url'
  | 'protocol'
  | 'username'
  | 'passwordFile'
  | 'caFile'
  | 'certFile'
  | 'keyFile'
  | 'keepaliveSeconds'
  | 'answerLimitSeconds'
>

/** Fault: named-file-missing where a file that is named cannot be read. */
export function brokerOf(uplink: Login, clientId: string): Outcome<Broker> {
  const files: Record<string, string> = {}
  for (const key of ['passwordFile', 'caFile', 'certFile', 'keyFile'] as const) {
    const file = uplink[key]
    if (file === undefined) continue
    try {
      files[key] = readFileSync(file, 'utf8')
    } catch (error) {
      return bad(
        'named-file-missing',
        `${file} (${(error as NodeJS.ErrnoException).code ?? 'cannot be read'})`,
      )
    }
  }
  const tls = { ca: files.caFile, cert: files.certFile, key: files.keyFile }
  return good(
    mqttBroker({
      ...usualMqtt,
      ...brokerAddress(new URL(uplink.url), tls),
      protocol: uplink.protocol,
      clientId,
      username: uplink.username,
      password: files.passwordFile?.trimEnd(),
      keepaliveSeconds: uplink.keepaliveSeconds,
      answerLimitSeconds: uplink.answerLimitSeconds,
    }),
  )
}

/** The owner's commands against a link that carries nothing. */
export function linkStepsOf({ uplink }: Settings): NonNullable<StationPorts['linkSteps']> {
  if (uplink.mode === 'none') return []
  return uplink.ladder.map(({ step, command, afterMinutes, everyMinutes, mostADay, limitSeconds }) => ({
    name: step,
    afterSeconds: afterMinutes * 60,
    everySeconds: everyMinutes * 60,
    mostADay,
    run: commandSwitch([command[0], ...command.slice(1)], limitSeconds, 'link-step-failed'),
  }))
}
