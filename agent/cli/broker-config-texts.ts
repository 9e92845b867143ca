/** The texts of a broker's configuration; nothing secret is in them. */
import { topicFormat } from '../uplink/uplink.js'

export interface BrokerPlan {
  readonly group: string
  /** Names and addresses by which stations and collector reach the broker; the first stands in their settings. */
  readonly hosts: readonly string[]
  readonly port: number
  /** Where the files will stand on the machine of the broker. */
  readonly at: string
}

/** Users beside the stations. No station's name has an underscore, so none is theirs. */
export const collectorUser = '_collector'
export const operatorUser = '_operator'
export const specialUsers: readonly string[] = [collectorUser, operatorUser]

/** What a station says, and what it hears; its own `alive` is how it sees that messages pass where no collector is. */
const said = ['lines', 'averages', 'health', 'alive', 'alerts/+', 'reply']
const heard = ['receipt', 'command', 'alive']

/** Above the 1 MiB that a reader of packs takes. */
const largestPacketBytes = 1_100_000

/** One file for an include_dir of mosquitto 2. */
export const brokerConf = ({ port, at }: BrokerPlan, stations: number): string =>
  `# Written by motepost stations broker-config, and written anew by it: lines of your own go into another file.
# Who may connect: only over TLS, only with a password.
listener ${port}
certfile ${at}/server.pem
keyfile ${at}/server.key
tls_version tlsv1.2
allow_anonymous false
password_file ${at}/passwords
acl_file ${at}/acl
# A client id belongs to its user: nobody throws another one out, or takes over its session, by using its id.
use_username_as_clientid true

# What one client can use up.
max_connections ${Math.max(200, 100 + 4 * stations)}
max_packet_size ${largestPacketBytes}
max_inflight_messages 20
max_queued_messages 10000
max_queued_bytes 67108864
memory_limit 268435456

# Receipts and last states are retained: they outlive a new start.
persistence true
autosave_interval 300
persistent_client_expiration 30d
`

export function brokerAcl({ group }: BrokerPlan): string {
  const root = `motepost/${topicFormat}/${group}`
  const own = (user: string): string => `topic deny ${root}/${user}/#`
  return [
    '# Written by motepost stations broker-config. %u is the user, which is the name of the station.',
    ...said.map((what) => `pattern write ${root}/%u/${what}`),
    ...heard.map((what) => `pattern read ${root}/%u/${what}`),
    '',
    `user ${collectorUser}`,
    own(collectorUser),
    ...said.map((what) => `topic read ${root}/+/${what}`),
    `topic write ${root}/+/receipt`,
    '',
    `user ${operatorUser}`,
    own(operatorUser),
    `topic read ${root}/#`,
    `topic write ${root}/+/command`,
    '',
  ].join('\n')
}

/** An IPv6 address in brackets, as in a URL. */
export const brokerUrl = ({ hosts: [host], port }: BrokerPlan): string =>
  `mqtts://${host.includes(':') ? `[${host}]` : host}:${port}`

/** What goes into the settings of a station. */
export const uplinkLines = (plan: BrokerPlan, station: string): string =>
  `# Into the settings of the station whose name is ${station} and whose group is ${plan.group}. The two files beside this
# one go to the board, to the places named here: owned by the user of the agent, mode 0600.
uplink:
  mode: mqtt
  url: ${brokerUrl(plan)}
  username: ${station}
  password_file: /etc/motepost/broker-password
  ca_file: /etc/motepost/broker-ca.pem
`

export const collectorLines = (plan: BrokerPlan): string =>
  `motepost collect --broker ${brokerUrl(plan)} --group ${plan.group} --archive ./archive \\
  --username ${collectorUser} --password-file broker-password --ca-file broker-ca.pem
`

/** For a tool of the broker's own; -P shows the password to others on the same machine, hence a file of options. */
export const operatorLines = ({ hosts: [host], port, group }: BrokerPlan, password: string): string =>
  `-h ${host}
-p ${port}
-u ${operatorUser}
-P ${password}
--cafile broker-ca.pem
-q 1
-t motepost/${topicFormat}/${group}/#
`
